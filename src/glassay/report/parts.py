"""What the report page is made of: all that sections draw on, sections, and chapters of instruments."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from markupsafe import Markup

from glassay.bench.document.model import Instrument
from glassay.bench.keeping.results import BenchResults
from glassay.report.drawing import CaptureFigures
from glassay.report.evidence import draw_captures
from glassay.report.templating import Filling


@dataclass(frozen=True)
class Report:
    """Everything that sections draw on.

    `figures` holds the evidence of each capture by its id, `columns` the ids of the table's columns
    that were chosen (empty: all that hold something).
    """

    results: BenchResults
    figures: Mapping[str, CaptureFigures]
    written: datetime.date
    columns: tuple[str, ...] = ()

    @classmethod
    def of(
        cls, results: BenchResults, written: datetime.date, columns: tuple[str, ...] = ()
    ) -> Report:
        """The report of a bench, with the evidence drawn over its captures."""
        return cls(results, draw_captures(results), written, columns)

    def anchor(self, capture_id: str) -> str:
        """Where a capture with its evidence stands on the page: the target of links to it."""
        ids = [one.capture.id for one in self.results.captures]
        return f"capture-{ids.index(capture_id) + 1}"

    def letter(self, instrument_id: str) -> str:
        """The letter by which drawings name an instrument: A, B, ... Z, AA, ..."""
        ids = [instrument.id for instrument in self.results.bench.instruments]
        number, letters = ids.index(instrument_id), ""
        while number >= 0:
            number, last = divmod(number, 26)
            letters, number = chr(65 + last) + letters, number - 1
        return letters


@dataclass(frozen=True)
class Section:
    """One section of the page. `fill` returns None when there is nothing to say."""

    id: str
    title: str
    template: str
    fill: Callable[[Report], Filling | None]
    folded: bool = False
    """Whether it stays closed until a reader opens it."""


@dataclass(frozen=True)
class Chapter:
    """One part of what is told about each instrument. `fill` returns None for nothing to say."""

    id: str
    title: str
    template: str
    fill: Callable[[Report, Instrument], Filling | None]


@dataclass(frozen=True)
class Filled:
    """A section or chapter that is ready for the page."""

    id: str
    title: str
    html: Markup
    folded: bool = False
