"""Measurements by hand as they are shown: worked out anew, with their value or why there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from fastapi import Request
from markupsafe import Markup

from glassay.bench.document.model import Capture
from glassay.bench.keeping.marks import Mark, lens_for, pixel_size_for, read_marks, work_out
from glassay.bench.keeping.results import BenchResults
from glassay.errors import NotMeasurable
from glassay.quantity import Quantity
from glassay.web import templating
from glassay.web.templating import workbench_of


@dataclass(frozen=True)
class ShownMark:
    """A measurement by hand with its value, or why it has none."""

    mark: Mark
    value: Quantity | None
    why: str

    @property
    def words(self) -> str:
        """The value in plain text; "" where there is none."""
        return "" if self.value is None else Markup(templating.by_hand(self.value)).striptags()


@dataclass(frozen=True)
class ByHand:
    """The measurements on one capture, its pixel size, and where that comes from or why not."""

    marks: tuple[ShownMark, ...]
    pixel: Quantity | None
    origin: str


def measured_by_hand(request: Request, results: BenchResults, one: Capture) -> ByHand:
    """All of one capture. Raises `Unusable` when they cannot be read."""
    kept = [m for m in read_marks(workbench_of(request).folder) if m.capture == one.id]
    return worked_out(request, results, one, kept)


def worked_out(
    request: Request, results: BenchResults, one: Capture, marks: Sequence[Mark]
) -> ByHand:
    """These marks with what holds for their capture now."""
    size = picture_size(request, results, one)
    try:
        pixel, origin = pixel_size_for(results, one, size)
    except NotMeasurable as error:
        pixel, origin = None, str(error)
    lens, shown = lens_for(results, one, size), []
    for mark in marks:
        try:
            shown.append(ShownMark(mark, work_out(mark, pixel, lens), ""))
        except NotMeasurable as error:
            shown.append(ShownMark(mark, None, str(error)))
    return ByHand(tuple(shown), pixel, origin)


def picture_size(request: Request, results: BenchResults, one: Capture) -> tuple[int, int]:
    """Width and height (px) of a capture's photo or first frame. Raises `Unusable` without one."""
    facts = results.capture(one.id).facts
    if "width" in facts and "height" in facts:
        return int(facts["width"]), int(facts["height"])
    width, height = request.app.state.tiles.pyramid(workbench_of(request).files_of(one)[0]).size
    return int(width), int(height)


def marks_as_data(by_hand: ByHand) -> list[dict[str, Any]]:
    """Plain data for the viewer and for scripts."""
    return [
        {
            **asdict(one.mark), "number": number, "words": one.words, "why": one.why,
            "value": None if one.value is None else one.value.value,
            "U": None if one.value is None else one.value.expanded,
            "unit": "" if one.value is None else one.value.unit,
        }
        for number, one in enumerate(by_hand.marks, 1)
    ]  # fmt: skip


def all_marks(request: Request) -> list[dict[str, Any]]:
    """Every measurement, as plain data; those of captures that are gone have no value."""
    results = workbench_of(request).results()
    kept = read_marks(workbench_of(request).folder)
    found = [
        one for capture in results.bench.captures
        if any(mark.capture == capture.id for mark in kept)
        for one in marks_as_data(measured_by_hand(request, results, capture))
    ]  # fmt: skip
    known = {capture.id for capture in results.bench.captures}
    left = [ShownMark(m, None, "its capture is gone") for m in kept if m.capture not in known]
    return [*found, *marks_as_data(ByHand(tuple(left), None, ""))]
