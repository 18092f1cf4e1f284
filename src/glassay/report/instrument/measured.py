"""What was measured in each setting: numbers, readings, and what their uncertainty is made of."""

from __future__ import annotations

import math
from dataclasses import dataclass

from glassay.bench.document.model import Instrument
from glassay.bench.keeping.results import NATIVE_PIXEL, SettingResult
from glassay.bench.saying.finding_names import shown_of_setting
from glassay.optics.readings import without_repeats
from glassay.quantity import Quantity
from glassay.report.parts import Chapter, Report
from glassay.report.templating import Filling


@dataclass(frozen=True)
class BudgetLine:
    """One contribution: standard uncertainty relative to the value, and share of the variance."""

    source: str
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
            "readings": without_repeats(one.readings), "notes": one.notes, "picture": one.picture,
            "captures": len(one.captures),
            "through_eyepiece": one.setting.through_eyepiece, "binding": one.binding,
            "budget": budget(main[1]) if main else [], "budget_of": main[0] if main else "",
            "combined": main[1] if main else None,
        })  # fmt: skip
    return {"settings": settings, "alone": len(instrument.settings) == 1} if settings else None


def hidden_of(one: SettingResult) -> tuple[str, ...]:
    """Findings that are not told of a setting: a phone's own pixels and frame, and the picture
    around a round field, which is mostly black."""
    if one.setting.through_eyepiece:
        return ("pixel_size", "field_width", "field_height")
    return ("field_width", "field_height") if "field_diameter" in one.findings else ()


def _findings(one: SettingResult) -> list[tuple[str, Quantity]]:
    """Findings by their plain names; a phone's own pixels and frame are not the instrument's."""
    hidden = hidden_of(one)
    return [(name, value) for key, name, value in shown_of_setting(one) if key not in hidden]


def _main(one: SettingResult) -> tuple[str, Quantity] | None:
    order = ("field_diameter", "pixel_size") if one.setting.through_eyepiece else (
        NATIVE_PIXEL, "pixel_size",
    )  # fmt: skip
    told = {key: (name, value) for key, name, value in shown_of_setting(one)}
    return next((told[key] for key in order if key in told), None)


def budget(quantity: Quantity) -> list[BudgetLine]:
    """The uncertainty budget, largest first; one line for each source, over all captures."""
    variances: dict[str, float] = {}
    for part in quantity.contributions:
        variances[part.source] = variances.get(part.source, 0.0) + part.u**2
    total = sum(variances.values())
    if not total or not quantity.value:
        return []
    lines = [
        BudgetLine(source, math.sqrt(v) / abs(quantity.value), v / total)
        for source, v in variances.items()
    ]
    return sorted(lines, key=lambda line: -line.share)


CHAPTER = Chapter("measured", "Measured", "measured.html", fill)
