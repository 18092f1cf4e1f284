"""The report as one page: sections in order, each from its own file and template.

A section is one file in `report/sections/` with a `SECTION`, registered in that package's list; a
chapter on each instrument is one file in `report/instrument/` with a `CHAPTER`, registered in the
same way; evidence over a photo is one file `report/evidence_*.py`, registered in
`glassay.report.evidence`.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from glassay import __version__
from glassay.bench.document.model import Instrument
from glassay.bench.keeping.results import BenchResults
from glassay.report.evidence import CaptureFigures, draw_captures
from glassay.report.templating import Filling, render, source


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


def render_page(report: Report, sections: Sequence[Section] | None = None) -> str:
    """The page as HTML that needs nothing else: no network, no other file, no script.

    `sections` are all registered ones unless others are given.
    """
    from glassay.report.sections import SECTIONS

    filled = []
    for section in SECTIONS if sections is None else sections:
        filling = section.fill(report)
        if filling is not None:
            html = render(section.template, filling)
            folded = section.folded and sections is None
            filled.append(Filled(section.id, section.title, html, folded))
    bench = report.results.bench
    return str(
        render("page.html", {
            "title": bench.title, "note": bench.note, "styles": source("page.css"),
            "sections": filled, "written": report.written, "version": __version__,
        })
    )  # fmt: skip
