"""Magnification, claimed and measured, on one axis for all instruments."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from glassay.bench.document.model import Instrument
from glassay.bench.keeping.results import BenchResults
from glassay.bench.saying.words import say_times, short
from glassay.quantity import Quantity
from glassay.report.parts import Report, Section
from glassay.report.templating import Filling

KINDS = {
    "field_equivalent_magnification": ("disc", "same field as an eyepiece view"),
    "visual_magnification_measured": ("triangle", "to the eye, from the field seen"),
    "on_display_magnification": ("square", "on the bench's display"),
    "own_screen_magnification": ("frame", "on its own screen"),
}
"""Readings that are marked: the shape of the mark, and what the legend calls it."""
CLAIM = ("claim", "claimed by the seller")


@dataclass(frozen=True)
class Mark:
    """A mark in one instrument's row: its shape, its place in percent of the width, its words."""

    shape: str
    place: float
    words: str


@dataclass(frozen=True)
class Lane:
    """One instrument's row."""

    letter: str
    title: str
    marks: tuple[Mark, ...]

    @property
    def span(self) -> tuple[float, float]:
        """Places of the first and the last mark."""
        places = [mark.place for mark in self.marks]
        return min(places), max(places)

    @property
    def words(self) -> str:
        """All marks in words."""
        return "; ".join(mark.words for mark in self.marks)


def fill(report: Report) -> Filling | None:
    """One lane for each instrument with at least one number."""
    results = report.results
    named = {one.id: _numbers(results, one) for one in results.bench.instruments}
    values = [value for numbers in named.values() for _, value, _ in numbers]
    if not values or not any(shape != "claim" for n in named.values() for shape, _, _ in n):
        return None
    low, high = _at_most(min(values) / 1.02), 1 / _at_most(1 / (max(values) * 1.02))

    def place(value: float) -> float:
        return 100 * math.log(value / low) / math.log(high / low)

    lanes = [
        Lane(report.letter(one.id), one.title,
             tuple(Mark(shape, place(value), words) for shape, value, words in named[one.id]))
        for one in results.bench.instruments
        if named[one.id]
    ]  # fmt: skip
    shapes = {mark.shape for lane in lanes for mark in lane.marks}
    legend = [pair for pair in (CLAIM, *KINDS.values()) if pair[0] in shapes]
    return {"lanes": lanes, "ticks": _ticks(low, high, place), "legend": legend}


def _numbers(results: BenchResults, instrument: Instrument) -> list[tuple[str, float, str]]:
    found = [
        ("claim", claim.value, f"{claim.text} claimed ({claim.where})")
        for claim in instrument.claims
        if claim.kind == "magnification" and claim.value and not claim.is_low_end
    ]
    for key, (shape, words) in KINDS.items():
        best: Quantity | None = None
        for one in results.settings_of(instrument.id):
            reading = one.reading(key)
            if reading is not None and (best is None or reading.value.value > best.value):
                best = reading.value
        if best is not None:
            found.append((shape, best.value, f"{words}: {say_times(best)}"))
    return found


def _ticks(
    low: float, high: float, place: Callable[[float], float]
) -> list[tuple[float, str, bool]]:
    """Place, label and weight of the axis lines: whole decades and their 2s and 5s."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    values = [
        (step * 10.0**power, step == 1) for power in range(first, last + 1) for step in (1, 2, 5)
    ]
    return [
        (place(value), f"{short(value)}x", whole)
        for value, whole in values
        if low * 0.999 <= value <= high * 1.001
    ]


def _at_most(value: float) -> float:
    """The largest of 1, 2, 5, 10, 20, ... that is not above the value."""
    decade = 10.0 ** math.floor(math.log10(value))
    return max(step * decade for step in (1, 2, 5) if step * decade <= value * 1.000001)


SECTION = Section(
    "magnification", "Magnification, claimed and measured", "magnification.html", fill
)
