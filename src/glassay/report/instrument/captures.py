"""Captures with the evidence drawn over them, and refusals with their reasons."""

from __future__ import annotations

from glassay.bench.model import Instrument
from glassay.bench.results import CaptureResult
from glassay.finding import Finding
from glassay.quantity import Quantity
from glassay.report.page import Chapter, Report
from glassay.report.templating import Filling

SHOWN = {
    "pixel_size": "pixel size",
    "division": "division",
    "tilt": "tilt",
    "lines": "lines used",
    "divisions_across": "divisions across the field",
}
"""Findings told beside a capture first; the others follow under their keys."""
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
            "findings": _findings(one),
        }
        for one in mine
    ]
    return {"captures": shown}


def _object(report: Report, one: CaptureResult) -> str:
    thing = report.results.bench.object(one.capture.object)
    return thing.name or (thing.kind if thing.id == thing.kind else f"{thing.kind} {thing.id}")


def _findings(one: CaptureResult) -> list[tuple[str, Quantity | str]]:
    found = one.findings
    keys = [key for key in SHOWN if key in found]
    keys += [key for key in found if key not in SHOWN and key not in ELSEWHERE]
    return [(SHOWN.get(key, key.replace("_", " ")), _plain(found[key])) for key in keys]


def _plain(finding: Finding) -> Quantity | str:
    value = finding.value
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, Quantity) else str(value)


CHAPTER = Chapter("captures", "Captures", "captures.html", fill)
