"""The comparison people make by eye, as numbers: whose field equals which view of another."""

from __future__ import annotations

import math
from dataclasses import dataclass

from glassay.bench.keeping.results import SameField
from glassay.bench.saying.words import say_length
from glassay.quantity import Quantity
from glassay.report.answer import closest_setting
from glassay.report.parts import Report, Section
from glassay.report.templating import Filling

TOO_SMALL = 0.02
"""A field less wide than this share of the widest would be a speck in the drawing; the table has
it."""


@dataclass(frozen=True)
class Field:
    """What one instrument shows in its closest setting, um."""

    letter: str
    title: str
    setting: str
    width: Quantity
    height: float
    round: bool

    @property
    def label_at(self) -> tuple[float, float]:
        """Where the letter stands, from the common centre: inside the top left of the field."""
        if self.round:
            return -0.34 * self.width.value, -0.34 * self.width.value
        return -0.5 * self.width.value, -0.5 * self.height


def fill(report: Report) -> Filling | None:
    """Fields drawn at one scale, and each pair of views with its number."""
    results = report.results
    fields = []
    for instrument in results.bench.instruments:
        one = closest_setting(results, instrument)
        if one is None or one.seen_width is None:
            continue
        is_round = "field_diameter" in one.findings
        width = one.seen_width
        height = width if is_round else one.findings["field_height"].quantity
        fields.append(Field(report.letter(instrument.id), instrument.title, one.setting.title,
                            width, height.value, is_round))  # fmt: skip
    if len(fields) < 2 and not results.same_field:
        return None
    fields.sort(key=lambda one: -one.width.value)
    widest = fields[0].width.value
    shown = [one for one in fields if one.width.value >= TOO_SMALL * widest]
    side_x = max(one.width.value for one in shown)
    side_y = max(one.height for one in shown)
    bar = _round_length(side_x / 4)
    return {
        "fields": fields, "shown": shown, "width": side_x, "height": side_y,
        "bar_um": bar, "bar_text": say_length(Quantity(bar, "um")).replace("um", "µm"),
        "pairs": [_pair(report, one) for one in results.same_field],
    }  # fmt: skip


def _pair(report: Report, one: SameField) -> Filling:
    bench = report.results.bench
    here, there = bench.instrument(one.instrument), bench.instrument(one.reference_instrument)
    view = next(s for s in report.results.settings_of(there.id)
                if s.setting.id == one.reference_setting)  # fmt: skip
    by_field = view.reading("visual_magnification_measured")
    return {
        "here": here.title, "here_setting": here.setting(one.setting).title,
        "there": there.title, "there_setting": there.setting(one.reference_setting).title,
        "power": one.reference_magnification, "seen": by_field.value if by_field else None,
        "equivalent": one.equivalent, "ratio": one.ratio,
    }  # fmt: skip


def _round_length(most: float) -> float:
    decade = 10.0 ** math.floor(math.log10(most))
    return max(step * decade for step in (1, 2, 5) if step * decade <= most)


SECTION = Section("by-eye", "Whose view equals which", "by_eye.html", fill, folded=True)
