"""Measuring by hand on a capture: kept, changed, removed, and worked out while a person points."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import JSONResponse, Response

from glassay.bench.keeping.marks import (
    SCREEN_U_PX,
    Mark,
    add_mark,
    change_mark,
    make_mark,
    read_marks,
    remove_mark,
)
from glassay.errors import NotMeasurable, Unusable
from glassay.web import limits
from glassay.web.by_hand import marks_as_data, measured_by_hand, picture_size, worked_out
from glassay.web.templating import back_to, fragment, link, workbench_of

router = APIRouter(prefix="/capture", include_in_schema=False)

Text = Annotated[str, Form()]


@router.get("/marks")
def marks(request: Request, id: str) -> Response:
    """The measurements on a capture: as data for the viewer, and as the table below it."""
    return _all_of(request, id)


def _all_of(request: Request, capture_id: str, mark_id: str = "") -> Response:
    bench = workbench_of(request)
    one = bench.capture(capture_id)
    by_hand = measured_by_hand(request, bench.results(), one)
    table = fragment("marks_table.html", one=one, marks=by_hand.marks)
    return JSONResponse({"id": mark_id, "marks": marks_as_data(by_hand), "table": str(table)})


@router.post("/mark")
def keep(
    request: Request, id: Text, kind: Text, points: Text, pointing: Text = str(SCREEN_U_PX),
    count: Annotated[int, Form()] = 1, note: Text = "", mark: Text = "",
) -> Response:  # fmt: skip
    """Keep one measurement. `points` are "x,y x,y ..." in px of the photo; `mark` is the id of one
    that was removed and comes back."""
    bench = workbench_of(request)
    made = _made(request, id, kind, points, pointing, count, note, mark)
    kept = [one for one in read_marks(bench.folder) if one.capture == id]
    if len(kept) >= limits.MAX_MARKS:
        raise Unusable(f"{limits.MAX_MARKS} measurements on one capture are enough")
    add_mark(bench.folder, made)
    return _answer(request, id, made.id, "The measurement is kept.")


@router.post("/mark/change")
def change(
    request: Request, id: Text, mark: Text, kind: Text, points: Text, pointing: Text,
    count: Annotated[int, Form()] = 1, note: Text = "",
) -> Response:  # fmt: skip
    """Put a measurement in the place of the one with its id."""
    made = _made(request, id, kind, points, pointing, count, note, mark)
    change_mark(workbench_of(request).folder, made)
    return _answer(request, id, made.id, "The measurement is changed.")


@router.post("/unmark")
def remove(request: Request, id: Text, mark: Text) -> Response:
    bench = workbench_of(request)
    bench.capture(id)
    remove_mark(bench.folder, mark)
    return _answer(request, id, mark, "The measurement is removed.")


@router.get("/work-out")
def work_out_only(
    request: Request, id: str, kind: str, points: str, pointing: str = str(SCREEN_U_PX),
    count: int = 1,
) -> Response:  # fmt: skip
    """What a measurement would give, while a person is still pointing; nothing is kept."""
    try:
        made = _made(request, id, kind, points, pointing, count, "", "")
    except NotMeasurable:
        return JSONResponse({"words": ""})
    bench = workbench_of(request)
    (shown,) = worked_out(request, bench.results(), bench.capture(id), [made]).marks
    return JSONResponse({"words": shown.words})


def _answer(request: Request, capture_id: str, mark_id: str, said: str) -> Response:
    if "application/json" in request.headers.get("accept", ""):
        return _all_of(request, capture_id, mark_id)
    return back_to(request, link("/capture", id=capture_id) + "#by-hand", said)


def _made(
    request: Request, capture_id: str, kind: str, points: str, pointing: str, count: int,
    note: str, mark_id: str,
) -> Mark:  # fmt: skip
    bench = workbench_of(request)
    one = bench.capture(capture_id)
    made = make_mark(
        one.id, kind, read_points(points), pointing_px=_read_pointing(pointing), count=count,
        note=note.strip()[:500], mark_id=mark_id,
    )  # fmt: skip
    _check_within(made, picture_size(request, bench.results(), one))
    return made


def _check_within(mark: Mark, size: tuple[int, int]) -> None:
    """Raise `Unusable` where a point lies beyond the photo, by more than half a px past its rim."""
    for x, y in mark.points:
        if not (-1 <= x <= size[0] and -1 <= y <= size[1]):
            raise Unusable(
                f"the point {x:g},{y:g} lies beyond the photo of {size[0]} x {size[1]} px"
            )


def _read_pointing(text: str) -> float | list[float]:
    """One number for all points, or one for each."""
    try:
        values = [float(part) for part in text.split()]
    except ValueError:
        values = []
    if not values:
        raise Unusable(f"{text[:60]!r} is no uncertainty of pointing; expected px like 0.5")
    return values[0] if len(values) == 1 else values


def read_points(text: str, least: int = 2) -> list[list[float]]:
    """Points as pages send them, at least so many. Raises `Unusable`."""
    try:
        points = [[float(v) for v in pair.split(",")] for pair in text.split()]
    except ValueError:
        points = []
    if not least <= len(points) <= limits.MAX_POINTS or any(
        len(pair) != 2 or not all(map(math.isfinite, pair)) for pair in points
    ):
        raise Unusable(f"{text[:60]!r} are no points; expected them like 120,80 340,82.5")
    return points
