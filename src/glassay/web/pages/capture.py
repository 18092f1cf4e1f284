"""One capture: looked at closely, measured again, pointed at, measured by hand."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from fastapi.responses import FileResponse, JSONResponse, Response

from glassay.bench.document.edit import set_values, write_text
from glassay.bench.document.model import Capture
from glassay.bench.document.read import parse_bench
from glassay.bench.keeping.marks import (
    SCREEN_U_PX,
    Mark,
    add_mark,
    lens_for,
    make_mark,
    pixel_size_for,
    read_marks,
    remove_mark,
    work_out,
)
from glassay.bench.keeping.results import BenchResults, CaptureResult
from glassay.bench.measuring.run import forget_capture
from glassay.bench.saying.finding_names import shown
from glassay.errors import NotMeasurable, Unusable
from glassay.one_writer import one_writer
from glassay.quantity import Quantity
from glassay.report.evidence_clip import rhythm_in_words, strips_alone
from glassay.report.instrument.measured import budget
from glassay.web import limits
from glassay.web.contents import SHOWN_BY_BROWSERS, is_clip, media_type
from glassay.web.history import History
from glassay.web.overlay import shapes_of
from glassay.web.templating import back_to, link, page, workbench_of
from glassay.web.tiles import stamp

router = APIRouter(include_in_schema=False)

PLAIN_PX = 1600
"""Longer side of the photo on the page that works without script."""


@dataclass(frozen=True)
class ShownMark:
    """A measurement by hand with its value, or why it has none."""

    mark: Mark
    value: Quantity | None
    why: str


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
        "findings": [shown(key, found) for key, found in result.findings.items()],
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
        "strips": strips_alone(part.evidence) if part is not None and kept else None,
        "words": rhythm_in_words(part.findings, bool(part.evidence["truncated"]))
        if part is not None and kept else "",
    }  # fmt: skip


def _photo(request: Request, results: BenchResults, one: Capture) -> dict[str, object]:
    """All that the viewer needs. Raises `Unusable` for no photo and no clip with a frame."""
    path = workbench_of(request).files_of(one)[0]
    result = results.capture(one.id)
    facts = result.facts
    width, height = (
        (int(facts["width"]), int(facts["height"]))
        if "width" in facts and "height" in facts
        else request.app.state.tiles.pyramid(path).size
    )
    shapes = shapes_of(result)
    pixel, origin = _pixel_size(results, one, (width, height))
    try:
        shown, unread = marks_of(request, results, one, pixel, (width, height)), ""
    except Unusable as error:  # the photo can be looked at all the same
        shown, unread = [], str(error)
    viewer = {
        "id": one.id, "width": width, "height": height, "tile": limits.TILE_PX,
        "stamp": stamp(path), "shapes": shapes.as_json(), "box": one.box,
        "pixel_um": pixel.value if pixel else None, "pointing_screen_px": SCREEN_U_PX,
        "marks": [
            {"id": m.mark.id, "kind": m.mark.kind, "points": m.mark.points, "number": n}
            for n, m in enumerate(shown, 1)
        ],
    }  # fmt: skip
    return {
        "width": width, "height": height, "shapes": shapes, "marks": shown, "pixel": pixel,
        "origin": origin, "viewer": json.dumps(viewer), "unread": unread,
    }  # fmt: skip


def _pixel_size(
    results: BenchResults, one: Capture, size: tuple[int, int]
) -> tuple[Quantity | None, str]:
    try:
        return pixel_size_for(results, one, size)
    except NotMeasurable as error:
        return None, str(error)


def marks_of(
    request: Request, results: BenchResults, one: Capture, pixel: Quantity | None,
    size: tuple[int, int],
) -> list[ShownMark]:  # fmt: skip
    """The capture's measurements by hand, worked out; `size` (width, height) of its photo, px."""
    shown = []
    lens = lens_for(results, one, size)
    for mark in read_marks(workbench_of(request).folder):
        if mark.capture == one.id:
            try:
                shown.append(ShownMark(mark, work_out(mark, pixel, lens), ""))
            except NotMeasurable as error:
                shown.append(ShownMark(mark, None, str(error)))
    return shown


@router.get("/tile")
def tile(request: Request, id: str, level: int, x: int, y: int) -> Response:
    bench = workbench_of(request)
    path = bench.files_of(bench.capture(id))[0]
    data = request.app.state.tiles.tile(path, level, x, y)
    return Response(
        data, media_type="image/jpeg", headers={"cache-control": "private, max-age=86400"}
    )


@router.get("/whole")
def whole(request: Request, id: str) -> Response:
    bench = workbench_of(request)
    path = bench.files_of(bench.capture(id))[0]
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


@router.post("/capture/mark")
def mark_by_hand(
    request: Request, id: Annotated[str, Form()], kind: Annotated[str, Form()],
    points: Annotated[str, Form()], pointing: Annotated[str, Form()] = str(SCREEN_U_PX),
    count: Annotated[int, Form()] = 1, note: Annotated[str, Form()] = "",
) -> Response:  # fmt: skip
    """Keep one measurement by hand. `points` are "x,y x,y ..." in px of the photo."""
    bench = workbench_of(request)
    one = bench.capture(id)
    kept = [mark for mark in read_marks(bench.folder) if mark.capture == id]
    if len(kept) >= limits.MAX_MARKS:
        raise Unusable(f"{limits.MAX_MARKS} measurements on one capture are enough")
    mark = make_mark(
        one.id, kind, _read_points(points), pointing_px=_read_pointing(pointing), count=count,
        note=note.strip()[:500],
    )  # fmt: skip
    add_mark(bench.folder, mark)
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"id": mark.id})
    return back_to(request, link("/capture", id=id) + "#by-hand", "The measurement is kept.")


def _read_pointing(text: str) -> float | list[float]:
    """One number for all points, or one for each."""
    try:
        values = [float(part) for part in text.split()]
    except ValueError:
        values = []
    if not values:
        raise Unusable(f"{text[:60]!r} is no uncertainty of pointing; expected px like 0.5")
    return values[0] if len(values) == 1 else values


def _read_points(text: str) -> list[list[float]]:
    try:
        points = [[float(v) for v in pair.split(",")] for pair in text.split()]
    except ValueError:
        points = []
    if not 2 <= len(points) <= limits.MAX_POINTS or any(len(pair) != 2 for pair in points):
        raise Unusable(f"{text[:60]!r} are no points; expected them like 120,80 340,82.5")
    return points


@router.post("/capture/unmark")
def forget_mark(
    request: Request, id: Annotated[str, Form()], mark: Annotated[str, Form()]
) -> Response:
    bench = workbench_of(request)
    bench.capture(id)
    remove_mark(bench.folder, mark)
    return back_to(request, link("/capture", id=id) + "#by-hand", "The measurement is removed.")
