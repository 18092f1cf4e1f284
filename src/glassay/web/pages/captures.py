"""Every capture of the bench, and filing new ones."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, Response
from starlette.datastructures import UploadFile

from glassay.bench.document.model import Bench
from glassay.bench.keeping.filing import Filing
from glassay.bench.keeping.sets_of_photos import KINDS_OF_SETS, put_together
from glassay.errors import Unusable
from glassay.web import limits
from glassay.web.incoming import THUMBNAIL_PX, Incoming, Waiting
from glassay.web.telling import told_until_it_ends
from glassay.web.templating import back_to, link, page, workbench_of

router = APIRouter(include_in_schema=False)


def incoming_of(request: Request) -> Incoming:
    """The uploads that wait."""
    return Incoming(workbench_of(request).folder, request.app.state.looks)


@router.get("/captures")
def captures(request: Request) -> Response:
    results = workbench_of(request).results()
    request.app.state.recordings.hand_over_left()
    groups = [
        (one, [c for c in results.captures if c.capture.instrument == one.id])
        for one in results.bench.instruments
    ]
    return page(
        request, "captures.html", title="Captures", bench_title=results.bench.title,
        here="/captures", bench=results.bench, most=limits.MAX_UPLOAD_FILES,
        groups=[(one, mine) for one, mine in groups if mine], waiting=incoming_of(request).batches(),
        phone=request.app.state.phone,
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


@router.post("/upload/begin")
def begin_upload(request: Request) -> Response:
    """A batch to which files are added one by one, so that each can be told of and tried again."""
    return JSONResponse({"batch": incoming_of(request).begin()})


@router.post("/upload/file")
async def upload_file(request: Request, batch: str, name: str) -> Response:
    """One file of a batch; the body is the file."""
    incoming = incoming_of(request)
    if len(incoming.waiting(batch)) >= limits.MAX_UPLOAD_FILES:
        raise Unusable(f"{limits.MAX_UPLOAD_FILES} files at once are enough")
    with tempfile.TemporaryFile(dir=incoming.folder_of(batch)) as stream:
        async for part in request.stream():
            await run_in_threadpool(stream.write, part)
        stream.seek(0)
        one = await run_in_threadpool(incoming.add, batch, name, stream)
    return JSONResponse({"number": one.number, "trouble": one.trouble})


LOOKS_SOON_S = 2.0
"""How long the page waits for large photos to be looked at; what is wrong with one is told at the
latest when it is filed."""


@router.get("/incoming")
def confirm(request: Request, batch: str) -> Response:
    bench = workbench_of(request).bench()
    rows = []
    incoming_of(request).settle(batch, LOOKS_SOON_S)
    for one in incoming_of(request).waiting(batch):
        hint = one.suggestion(bench)
        rows.append({
            "number": one.number, "file": one,
            "place": _place(bench, hint.instrument, hint.setting), "object": hint.object or "",
        })  # fmt: skip
    several = [thing.name or thing.id for thing in bench.objects if thing.kind in KINDS_OF_SETS]
    return page(
        request, "incoming.html", title="What do these show?", bench_title=bench.title,
        here="/captures", bench=bench, rows=rows, batch=batch, several=several,
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
    return _picture(incoming_of(request).thumbnail(batch, number))


@router.post("/incoming")
async def file_them(request: Request) -> Response:
    form = await request.form(max_fields=4 * limits.MAX_UPLOAD_FILES)
    texts = {key: value for key, value in form.items() if isinstance(value, str)}
    return await run_in_threadpool(_file, request, texts)


SOON_S = 1.5
"""A filing that ends within so long needs no page of its own."""


def _file(request: Request, form: dict[str, str]) -> Response:
    bench = workbench_of(request).bench()
    batch = form.get("batch", "")
    incoming = incoming_of(request)
    shown = _numbers(form.get("shown", ""))
    waiting = [one for one in incoming.waiting(batch) if one.number in shown]
    filings = _asked(waiting, form)
    if "together" in form:
        folders = {one.path: str(Path(one.named).parent) for one in waiting}
        filings = list(put_together(bench, filings, folder_of=lambda path: folders[path]))
    filed = request.app.state.filings
    name = filed.start(bench, filings, "also" in form, incoming, batch, sorted(shown))
    filed.job(name).wait(SOON_S)
    state = filed.job(name).state
    if state.word == "failed":
        raise Unusable(state.said)
    if state.word == "running":
        return back_to(request, link("/filing", job=name))
    return back_to(request, "/captures", state.said)


def _numbers(text: str) -> set[int]:
    """The numbers of files that a page showed; what came since is left alone."""
    return {int(one) for one in text.split() if one.isascii() and one.isdigit() and len(one) < 9}


def _asked(waiting: Sequence[Waiting], form: Mapping[str, str]) -> list[Filing]:
    filings = []
    for one in waiting:
        if one.trouble or f"take-{one.number}" not in form:
            continue
        place = form.get(f"place-{one.number}", "")
        thing = form.get(f"object-{one.number}", "")
        instrument, _, setting = place.partition("|")
        if not instrument or not setting or not thing:
            raise Unusable(f"{one.named}: say with which instrument it was made and what it shows")
        filings.append(Filing(one.path, instrument, setting, thing))
    if not filings:
        raise Unusable("none of the files was chosen")
    return filings


@router.get("/filing")
def filing(request: Request, job: str) -> Response:
    """How far a filing is."""
    state = request.app.state.filings.job(job).state
    if state.word in ("finished", "stopped"):
        return back_to(request, "/captures", state.said)
    return page(request, "filing.html", title="Filing", here="/captures", state=state, job=job)


@router.get("/filing/events")
async def filing_events(request: Request, job: str) -> Response:
    """How a filing stands, as server-sent events, until it ends or the page goes."""
    found = request.app.state.filings.job(job)
    return told_until_it_ends(request, lambda: asdict(found.state))


@router.post("/filing/stop")
def stop_filing(request: Request, job: Annotated[str, Form()]) -> Response:
    found = request.app.state.filings.job(job)
    found.stop()
    found.wait(SOON_S)
    return back_to(request, link("/filing", job=job))


@router.post("/incoming/drop")
def drop(
    request: Request, batch: Annotated[str, Form()], shown: Annotated[str | None, Form()] = None
) -> Response:
    """Forget the files that were `shown`, or the whole batch."""
    incoming_of(request).forget(batch, None if shown is None else _numbers(shown))
    return back_to(request, "/captures", "The upload is forgotten; nothing was filed.")
