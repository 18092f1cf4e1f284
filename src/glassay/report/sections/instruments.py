"""Each instrument in turn: what a buyer asks first, and all that was found folded below it."""

from __future__ import annotations

from glassay.bench.judging.decide import RULE
from glassay.report.instrument import CHAPTERS
from glassay.report.instrument.strip import strip_of
from glassay.report.parts import Filled, Report, Section
from glassay.report.templating import Filling, render


def fill(report: Report) -> Filling | None:
    """Strip and chapters of every instrument."""
    told = []
    for instrument in report.results.bench.instruments:
        chapters = []
        for chapter in CHAPTERS:
            filling = chapter.fill(report, instrument)
            if filling is not None:
                html = render(chapter.template, filling)
                chapters.append(Filled(chapter.id, chapter.title, html))
        told.append(
            (instrument, report.letter(instrument.id), strip_of(report, instrument), chapters)
        )
    rule = RULE if report.results.verdicts else ""
    return {"told": told, "rule": rule} if told else None


SECTION = Section("instruments", "Instrument by instrument", "instruments.html", fill)
