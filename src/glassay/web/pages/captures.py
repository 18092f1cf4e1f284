"""Every capture of the bench, and filing new ones."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response
from starlette.datastructures import UploadFile

from glassay.bench.document.model import Bench
from glassay.bench.keeping.filing import Filing, file_captures
from glassay.errors import Unusable
from glassay.web import limits
from glassay.web.contents import is_clip, media_type
from glassay.web.incoming import Incoming
from glassay.web.templating import back_to, link, page, workbench_of

router = APIRouter(include_in_schema=False)

THUMBNAIL_PX = 320


def incoming_of(request: Request) -> Incoming:
    """The uploads that wait."""
    return Incoming(workbench_of(request).folder / "results" / "incoming")


@router.get("/captures")
def captures(request: Request) -> Response:
    results = workbench_of(request).results()
    groups = [
        (one, [c for c in results.captures if c.capture.instrument == one.id])
        for one in results.bench.instruments
    ]
    return page(
        request, "captures.html", title="Captures", bench_title=results.bench.title,
        here="/captures", bench=results.bench, most=limits.MAX_UPLOAD_FILES,
        groups=[(one, mine) for one, mine in groups if mine],
    )  # fmt: skip


@router.get("/thumb")
def thumbnail(request: Request, id: str, n: int = 0) -> Response:
    bench = workbench_of(request)
    paths = bench.files_of(bench.capture(id))
    if not 0 <= n < len(paths):
        raise Unusable("the capture has no such file")
    return _picture(request.app.state.tiles.whole(paths[n], THUMBNAIL_PX))


def _picture(data: bytes) -> Response:
    return Response(
        data, media_type="image/jpeg", headers={"cache-control": "private, max-age=600"}
    )


@router.post("/upload")
async def upload(request: Request) -> Response:
    async with request.form(max_files=limits.MAX_UPLOAD_FILES, max_fields=50) as form:
        sent = [one for one in form.getlist("files") if isinstance(one, UploadFile)]
        named = [(one.filename or "", one.file) for one in sent if one.filename]
        batch = await run_in_threadpool(incoming_of(request).receive, named)
    return back_to(request, link("/incoming", batch=batch))


@router.get("/incoming")
def confirm(request: Request, batch: str) -> Response:
    bench = workbench_of(request).bench()
    files = incoming_of(request).waiting(batch)
    rows = []
    for number, one in enumerate(files):
        hint = one.suggestion(bench)
        rows.append({
            "number": number, "file": one,
            "place": _place(bench, hint.instrument, hint.setting), "object": hint.object or "",
        })  # fmt: skip
    return page(
        request, "incoming.html", title="What do these show?", bench_title=bench.title,
        here="/captures", bench=bench, rows=rows, batch=batch,
    )  # fmt: skip


def _place(bench: Bench, instrument: str | None, setting: str | None) -> str:
    """The suggested instrument and setting as the choice's value; "" where one is not clear."""
    if instrument is None:
        return ""
    settings = [one.id for one in bench.instrument(instrument).settings]
    chosen = setting or (settings[0] if len(settings) == 1 else None)
    return f"{instrument}|{chosen}" if chosen else ""


@router.get("/incoming/thumb")
def incoming_thumbnail(request: Request, batch: str, number: int) -> Response:
    path = incoming_of(request).path(batch, number)
    if is_clip(media_type(path)):
        raise Unusable("a clip has no thumbnail")
    return _picture(request.app.state.tiles.whole(path, THUMBNAIL_PX))


@router.post("/incoming")
async def file_them(request: Request) -> Response:
    form = await request.form(max_fields=4 * limits.MAX_UPLOAD_FILES)
    texts = {key: value for key, value in form.items() if isinstance(value, str)}
    return await run_in_threadpool(_file, request, texts)


def _file(request: Request, form: dict[str, str]) -> Response:
    bench = workbench_of(request).bench()
    batch = form.get("batch", "")
    incoming = incoming_of(request)
    filings = []
    for number, one in enumerate(incoming.waiting(batch)):
        if one.trouble or f"take-{number}" not in form:
            continue
        place, thing = form.get(f"place-{number}", ""), form.get(f"object-{number}", "")
        instrument, _, setting = place.partition("|")
        if not instrument or not setting or not thing:
            raise Unusable(f"{one.named}: say with which instrument it was made and what it shows")
        filings.append(Filing(one.path, instrument, setting, thing))
    if not filings:
        raise Unusable("none of the files was chosen")
    filed = file_captures(bench, filings)
    incoming.forget(batch)
    new = sum(not one.already for one in filed)
    said = f"{new} {'capture is' if new == 1 else 'captures are'} filed."
    if new < len(filed):
        said += f" {len(filed) - new} had been filed already."
    return back_to(request, "/captures", said)


@router.post("/incoming/drop")
def drop(request: Request, batch: Annotated[str, Form()]) -> Response:
    incoming_of(request).forget(batch)
    return back_to(request, "/captures", "The upload is forgotten; nothing was filed.")
