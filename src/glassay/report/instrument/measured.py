"""What was measured in each setting: numbers, every reading, and what the uncertainty is made of."""

from __future__ import annotations

from dataclasses import dataclass

from glassay.bench.model import Instrument
from glassay.bench.results import SettingResult
from glassay.quantity import Quantity
from glassay.report.page import Chapter, Report
from glassay.report.templating import Filling

NAMES = {
    "pixel_size": "pixel size",
    "field_width": "field width",
    "field_height": "field height",
    "field_diameter": "field diameter",
    "implied_field_number": "field number that this implies",
}


@dataclass(frozen=True)
class BudgetLine:
    """One contribution: standard uncertainty, relative to the value, and share of the variance."""

    source: str
    u: Quantity
    relative: float
    share: float


def fill(report: Report, instrument: Instrument) -> Filling | None:
    """Every setting for which anything is known."""
    settings = []
    for one in report.results.settings_of(instrument.id):
        shown = _findings(one)
        main = _main(one)
        settings.append({
            "title": one.setting.title, "note": one.setting.note, "findings": shown,
            "readings": one.readings, "notes": one.notes, "picture": one.picture,
            "captures": len(one.captures),
            "through_eyepiece": one.setting.through_eyepiece,
            "budget": budget(main[1]) if main else [], "budget_of": main[0] if main else "",
            "combined": main[1] if main else None,
        })  # fmt: skip
    return {"settings": settings, "alone": len(instrument.settings) == 1} if settings else None


def _findings(one: SettingResult) -> list[tuple[str, Quantity]]:
    """Findings by their plain names; a phone's own pixels and frame are not the instrument's."""
    hidden = ("pixel_size", "field_width", "field_height") if one.setting.through_eyepiece else ()
    return [
        (NAMES.get(key, key.replace("_", " ")), finding.quantity)
        for key, finding in one.findings.items()
        if key not in hidden
    ]


def _main(one: SettingResult) -> tuple[str, Quantity] | None:
    order = ("field_diameter", "pixel_size") if one.setting.through_eyepiece else ("pixel_size",)
    for key in order:
        if key in one.findings:
            return NAMES[key], one.findings[key].quantity
    return None


def budget(quantity: Quantity) -> list[BudgetLine]:
    """The uncertainty budget, largest first."""
    total = sum(part.u**2 for part in quantity.budget())
    return [
        BudgetLine(
            part.source, Quantity(abs(part.u), quantity.unit),
            abs(part.u / quantity.value) if quantity.value else 0.0, part.u**2 / total,
        )
        for part in quantity.budget()
        if total
    ]  # fmt: skip


CHAPTER = Chapter("measured", "Measured", "measured.html", fill)
