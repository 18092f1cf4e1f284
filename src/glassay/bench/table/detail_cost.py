"""How much detail one view holds, and what it costs: columns of the comparison table."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from glassay.bench.document.model import Bench, Instrument
from glassay.bench.keeping.results import CaptureResult, Cell, Column, SettingResult
from glassay.bench.measuring.resolved import Resolved, finest_in
from glassay.quantity import Quantity, combine

NOTHING_RESOLVED = "no edge, bar target or repeat pair was measured"

COLUMNS = (
    Column("finest_line", "finest line", "um",
           "width of the finest line resolved at 10 % modulation in any setting, half a period: by bars"
           " or edges, the more sceptical where both are well measured; with \u2265, only a bound, by"
           " ring correlation", "lower"),
    Column("detail_points", "detail points", "MP",
           "pixels that would carry the detail of one view, two for each resolved period along both"
           " axes (4 x frequency squared x area of the field), in the setting that holds most",
           "higher"),
    Column("binds", "limited by", "",
           "what keeps that setting from showing more: optics, sampling, interpolation, processing,"
           " focus or motion"),
    Column("cost_per_detail", "cost per resolved detail", "money/MP",
           "total price / detail points: what a million resolved points in one view cost",
           "lower"),
)  # fmt: skip


def columns_for(bench: Bench) -> tuple[Column, ...]:
    """The columns, the last with the bench's currency in its unit where there is just one."""
    currency = _currency(bench)
    cost = replace(COLUMNS[-1], unit=f"{currency}/MP" if currency else "money/MP")
    return (*COLUMNS[:-1], cost)


def _currency(bench: Bench) -> str | None:
    totals = [one.price.total for one in bench.instruments]
    found = {total.currency for total in totals if total is not None}
    return found.pop() if len(found) == 1 else None


def detail_cells(
    bench: Bench,
    instrument: Instrument,
    mine: Sequence[SettingResult],
    captures: Sequence[CaptureResult],
) -> dict[str, Cell]:
    """Cells finest_line, detail_points, binds and cost_per_detail of one instrument.

    A view through an eyepiece has none: what a phone's photo resolves there is not what the eye
    does. Nor has a setting in which no chip can be looked at.
    """
    found = [
        (one, resolved)
        for one in mine
        if not one.setting.through_eyepiece and one.setting.for_chips
        and (resolved := finest_in(one, captures)) is not None
    ]  # fmt: skip
    by_eye = bool(mine) and all(one.setting.through_eyepiece for one in mine)
    why = "seen by eye" if by_eye else NOTHING_RESOLVED
    line, points, binds = Cell(None, why=why), Cell(None, why=why), Cell(None, why=why)
    if found:
        # What was told in any setting says more than a bound in another.
        one, finest = min(found, key=lambda pair: (pair[1].is_bound, pair[1].line.value))
        line = Cell(finest.line, one.setting.id, bound="at least" if finest.is_bound else "",
                    note=_evidence(finest))  # fmt: skip
    counted = [(one, best, q) for one, best in found if (q := detail_points(one, best)) is not None]
    if counted:
        one, best, most = max(counted, key=lambda found: (not found[1].is_bound, found[2].value))
        points = Cell(most, one.setting.id, bound="at most" if best.is_bound else "")
        if one.binding is not None:
            binds = Cell(one.binding.cause, one.setting.id)
    return {"finest_line": line, "detail_points": points, "binds": binds,
            "cost_per_detail": _cost(bench, instrument, points)}  # fmt: skip


def _evidence(finest: Resolved) -> str:
    by = {
        "bars": "by bars",
        "edge": "by edges",
        "lines": "by lines of the slide",
        "chip": "by a chip that a finer instrument shows",
        "correlation": "a bound, by ring correlation",
    }
    return by[finest.kind]


def detail_points(one: SettingResult, resolved: Resolved) -> Quantity | None:
    """Resolved points in one view, in millions: 4 f^2 times the area of the field.

    Where what binds is known, this is the count of the same captures along either axis by itself.
    """
    if one.binding is not None:
        return one.binding.detail_pixels.scaled(1e-6, "MP")
    if "field_diameter" in one.findings:
        diameter = one.findings["field_diameter"].quantity
        return combine(
            lambda f, d: 4 * f * f * math.pi / 4 * d * d / 1e6, (resolved.frequency, diameter), "MP"
        )
    if "field_width" not in one.findings or "field_height" not in one.findings:
        return None
    width, height = one.findings["field_width"].quantity, one.findings["field_height"].quantity
    return combine(
        lambda f, w, h: 4 * f * f * w * h / 1e6, (resolved.frequency, width, height), "MP"
    )


def _cost(bench: Bench, instrument: Instrument, points: Cell) -> Cell:
    total = instrument.price.total
    if not isinstance(points.value, Quantity):
        return Cell(None, why=points.why)
    if total is None:
        return Cell(None, why="no price in bench.toml")
    currency = _currency(bench)
    if currency is None:
        return Cell(None, why="prices are in several currencies")
    cost = combine(lambda n: total.amount / n, (points.value,), f"{currency}/MP")
    return Cell(cost, points.setting, bound="at least" if points.bound else "")
