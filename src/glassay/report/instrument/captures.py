"""Captures with the evidence drawn over them, and refusals with their reasons."""

from __future__ import annotations

from glassay.bench.document.model import Instrument
from glassay.bench.keeping.results import CaptureResult
from glassay.bench.saying.finding_names import Shown, shown_of_capture
from glassay.report.parts import Chapter, Report
from glassay.report.templating import Filling

FIRST = ("pixel_size", "division", "tilt", "lines", "divisions_across")
"""Findings told beside a capture before the others."""
ELSEWHERE = ("field_width", "field_height", "field_diameter", "pixel_size_x")
"""Findings that the setting's own table gives."""


def fill(report: Report, instrument: Instrument) -> Filling | None:
    """Every capture made with the instrument."""
    mine = [one for one in report.results.captures if one.capture.instrument == instrument.id]
    if not mine:
        return None
    shown = [
        {
            "result": one,
            "anchor": report.anchor(one.capture.id),
            "setting": instrument.setting(one.capture.setting).title,
            "object": _object(report, one),
            "drawn": report.figures[one.capture.id],
            "findings": _findings(report, one),
        }
        for one in mine
    ]
    return {"captures": shown}


def _object(report: Report, one: CaptureResult) -> str:
    thing = report.results.bench.object(one.capture.object)
    return thing.name or (thing.kind if thing.id == thing.kind else f"{thing.kind} {thing.id}")


def _findings(report: Report, one: CaptureResult) -> list[Shown]:
    found = one.findings
    keys = [key for key in FIRST if key in found]
    keys += [key for key in found if key not in FIRST and key not in ELSEWHERE]
    return shown_of_capture(one, report.results.settings, {key: found[key] for key in keys})


CHAPTER = Chapter("captures", "Captures", "captures.html", fill)
