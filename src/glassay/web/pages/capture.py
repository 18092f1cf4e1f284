"""One capture: looked at closely, and measured again."""

from __future__ import annotations

import json
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from fastapi.responses import FileResponse, Response

from glassay.bench.document.edit import set_values, write_text
from glassay.bench.document.model import Capture
from glassay.bench.document.read import parse_bench
from glassay.bench.keeping.marks import SCREEN_U_PX
from glassay.bench.keeping.results import BenchResults, CaptureResult
from glassay.bench.measuring.run import forget_capture
from glassay.bench.saying.finding_names import shown_of_capture
from glassay.errors import Unusable
from glassay.one_writer import one_writer
from glassay.report.drawing import html_of
from glassay.report.evidence_clip import over_time, rhythm_in_words
from glassay.report.instrument.measured import budget
from glassay.web import limits
from glassay.web.by_hand import ByHand, marks_as_data, measured_by_hand, picture_size
from glassay.web.contents import SHOWN_BY_BROWSERS, is_clip, media_type
from glassay.web.history import History
from glassay.web.overlay import shapes_of
from glassay.web.templating import back_to, link, page, workbench_of
from glassay.web.tiles import stamp

router = APIRouter(include_in_schema=False)

PLAIN_PX = 1600
"""Longer side of the photo on the page that works without script."""


@router.get("/capture")
def capture(request: Request, id: str) -> Response:
    bench = workbench_of(request)
    results = bench.results()
    one = bench.capture(id)
    result = results.capture(id)
    paths = bench.files_of(one)
    media = [media_type(path) for path in paths]
    instrument = results.bench.instrument(one.instrument)
    thing = results.bench.object(one.object)
    filling: dict[str, Any] = {
        "one": one, "result": result, "instrument": instrument,
        "setting": instrument.setting(one.setting), "thing": thing,
        "files": list(zip(one.files, media, strict=True)), "facts": result.facts,
        "findings": shown_of_capture(result, results.settings, result.findings),
    }  # fmt: skip
    photo, trouble = None, ""
    try:
        photo = _photo(request, results, one)
    except Unusable as error:
        trouble = str(error)
    size = result.findings.get("pixel_size")
    return page(
        request, "capture.html", title=thing.name or thing.kind,
        bench_title=results.bench.title, here="/captures",
        **filling, photo=photo, trouble=trouble, clip=_clip(result, media[0]),
        budget=budget(size.quantity) if size else [], combined=size.quantity if size else None,
    )  # fmt: skip


def _clip(result: CaptureResult, media: str | None) -> dict[str, object] | None:
    """How a clip is shown besides its first frame; None for photos."""
    if not is_clip(media):
        return None
    part = result.part("clip")
    kept = part is not None and part.status == "measured" and part.evidence
    return {
        "playable": media in SHOWN_BY_BROWSERS,
        "strips": html_of((over_time(part.evidence),)) if part is not None and kept else None,
        "words": rhythm_in_words(part.findings, bool(part.evidence["truncated"]))
        if part is not None and kept else "",
    }  # fmt: skip


def _photo(request: Request, results: BenchResults, one: Capture) -> dict[str, object]:
    """All that the viewer needs. Raises `Unusable` for no photo and no clip with a frame."""
    path = workbench_of(request).files_of(one)[0]
    width, height = picture_size(request, results, one)
    shapes = shapes_of(results.capture(one.id))
    try:
        by_hand, unread = measured_by_hand(request, results, one), ""
    except Unusable as error:  # the photo can be looked at all the same
        by_hand, unread = ByHand((), None, ""), str(error)
    viewer = {
        "id": one.id, "width": width, "height": height, "tile": limits.TILE_PX,
        "stamp": stamp(path), "shapes": shapes.as_json(), "box": one.box,
        "pixel_um": by_hand.pixel.value if by_hand.pixel else None,
        "pointing_screen_px": SCREEN_U_PX, "marks": marks_as_data(by_hand),
    }  # fmt: skip
    return {
        "width": width, "height": height, "shapes": shapes, "by_hand": by_hand,
        "viewer": json.dumps(viewer), "unread": unread,
    }  # fmt: skip


@router.get("/tile")
def tile(request: Request, id: str, level: int, x: int, y: int) -> Response:
    path = workbench_of(request).picture_file(id)
    data = request.app.state.tiles.tile(path, level, x, y)
    return Response(
        data, media_type="image/jpeg", headers={"cache-control": "private, max-age=86400"}
    )


@router.get("/whole")
def whole(request: Request, id: str) -> Response:
    path = workbench_of(request).picture_file(id)
    return Response(request.app.state.tiles.whole(path, PLAIN_PX), media_type="image/jpeg")


@router.get("/file")
def original(request: Request, id: str, n: int = 0) -> Response:
    """The file itself, unchanged; shown only if it is of a kind that browsers show."""
    bench = workbench_of(request)
    paths = bench.files_of(bench.capture(id))
    if not 0 <= n < len(paths):
        raise Unusable("the capture has no such file")
    media = media_type(paths[n])
    if media in SHOWN_BY_BROWSERS:
        return FileResponse(paths[n], media_type=media)
    return FileResponse(paths[n], media_type="application/octet-stream", filename=paths[n].name)


@router.post("/capture/again")
def measure_again(request: Request, id: Annotated[str, Form()]) -> Response:
    bench = workbench_of(request)
    bench.capture(id)
    forget_capture(bench.bench(), id)
    request.app.state.runs.start()
    return back_to(request, link("/capture", id=id), "It is being measured again.")


@router.post("/capture/look")
def look_only(
    request: Request, id: Annotated[str, Form()], pattern: Annotated[str, Form()] = "auto",
    box: Annotated[str, Form()] = "",
) -> Response:  # fmt: skip
    """Say where in the photo to look, and for what; then measure."""
    bench = workbench_of(request)
    values = {"box": _read_box(box), "pattern": None if pattern == "auto" else pattern}
    with one_writer(bench.folder):
        before = bench.text()
        ids = [one.id for one in parse_bench(before, bench.folder).captures]
        if id not in ids:
            raise Unusable(f"there is no capture {id!r} on this bench")
        after = set_values(before, ("capture", ids.index(id)), values)
        if after != before:
            write_text(bench.folder, before, after)
            History(bench.folder).remember(before, after, f"where to look in {id}")
    request.app.state.runs.start()
    return back_to(request, link("/capture", id=id), "It is being measured there.")


def _read_box(text: str) -> list[int] | None:
    if not text.strip():
        return None
    try:
        numbers = [round(float(part)) for part in text.replace(",", " ").split()]
    except (ValueError, OverflowError):
        numbers = []
    if len(numbers) != 4:
        raise Unusable(f"{text!r} is no region: x, y, width, height in px of the photo")
    return numbers
