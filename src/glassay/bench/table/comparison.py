"""The comparison table, and the comparison that people make by eye, as a number."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from glassay.bench.document.model import Bench, Instrument, Money
from glassay.bench.keeping.results import (
    CaptureResult,
    Cell,
    Column,
    Comparison,
    Row,
    SameField,
    SettingResult,
    Verdict,
)
from glassay.bench.measuring.native_pixels import enlargement, native_pixel_size
from glassay.bench.measuring.settings import nominal_magnification
from glassay.bench.saying.verdicts import tally
from glassay.bench.saying.words import say, say_times, short
from glassay.bench.table.across_field import field_cells, measured_columns
from glassay.bench.table.detail_cost import columns_for, detail_cells
from glassay.bench.table.practical import clip_cells, practical
from glassay.quantity import Quantity, combine

NOT_MEASURED = "no capture of a ruled scale was measured"
NOT_STATED = "not stated in bench.toml"

COLUMNS = (
    Column("claimed_magnification", "claimed", "1",
           "the highest magnification that the seller states"),
    Column("field_equivalent_magnification", "field-equivalent", "1",
           "the eyepiece magnification that shows the same field, in the closest setting",
           "higher"),
    Column("visual_magnification", "visual", "1",
           "objective or zoom x auxiliary x tube x eyepiece, as stated, at its highest", "higher"),
    Column("on_display_magnification", "on display", "1",
           "displayed picture width / field width on the bench's display, in the closest setting",
           "higher"),
    Column("pixel_size", "pixel size", "um/px",
           "length at the object that one pixel covers, in the finest setting; a pixel of the"
           " sensor where it is known that the camera enlarges its pictures", "lower"),
    Column("field_narrowest", "narrowest field", "mm",
           "width (or diameter) of what is seen in the closest setting"),
    Column("field_widest", "widest field", "mm",
           "width (or diameter) of what is seen in the widest setting", "higher"),
    Column("claims", "claims", "", "how many of the seller's claims are met and how many not"),
    Column("frame_rate", "frame rate", "1/s",
           "different pictures a second that its clips deliver, repeated frames not counted",
           "higher"),
    Column("video_picture", "video picture", "",
           "size of the largest frames that its clips have, and whether they are enlarged"),
    Column("saved_picture", "saved picture", "MP",
           "pixels of the largest photo that it saves, as noted or as filed, before enlargement"
           " where it is known that the camera enlarges", "higher"),
    Column("lights_off", "lights off", "", "lights can be switched off, as noted"),
    Column("zoom_saved", "zoom saved", "", "digital zoom is saved in photos, as noted"),
    Column("run_time", "run time", "h", "longest measured run on its battery, as noted", "higher"),
    Column("storage", "storage", "", "what it takes to keep pictures, as noted"),
    Column("failures", "failures", "", "failures that were noted, with when they happened"),
    Column("clearance", "clearance", "mm",
           "free height between lens and object, as noted", "higher"),
    Column("standalone", "standalone", "", "works without a computer or a phone, as noted"),
    Column("power", "power", "", "power supply, as noted"),
    Column("price_list", "list price", "money", "the seller's list price", "lower"),
    Column("price_paid", "paid", "money", "the price that was paid", "lower"),
    Column("price_camera", "camera", "money", "a camera that must be bought separately"),
    Column("price_total", "total", "money", "paid (or list) plus all that must be bought besides",
           "lower"),
)  # fmt: skip
"""Every column but those of detail, in its usual order."""

WIDEST_AT = next(i for i, column in enumerate(COLUMNS) if column.id == "field_widest") + 1
"""Where the columns of detail stand: after the fields."""


def compare(
    bench: Bench,
    settings: Sequence[SettingResult],
    verdicts: Sequence[Verdict],
    captures: Sequence[CaptureResult] = (),
) -> Comparison:
    """The table: each instrument at its best setting for each column."""
    rows = []
    shown = measured_columns(captures)
    measured = tuple(one.column for one in shown)
    columns = (*COLUMNS[:WIDEST_AT], *columns_for(bench), *measured, *COLUMNS[WIDEST_AT:])
    for instrument in bench.instruments:
        mine = [one for one in settings if one.instrument.id == instrument.id]
        judged = [verdict for verdict in verdicts if verdict.instrument == instrument.id]
        cells = {
            **_claimed(instrument), **_magnifications(mine), **_sizes(mine, captures),
            "claims": Cell(tally(judged) or None, why="no claims in bench.toml"),
            **detail_cells(bench, instrument, mine, captures),
            **field_cells(shown, instrument, mine, captures),
            **clip_cells(instrument, captures), **practical(instrument, captures), **_noted(instrument),
        }  # fmt: skip
        ordered = {column.id: cells[column.id] for column in columns}
        rows.append(Row(instrument.id, instrument.title, ordered))
    currencies = {
        cell.value.currency
        for row in rows
        for cell in row.cells.values()
        if isinstance(cell.value, Money)
    }
    notes = []
    for column in columns:
        told = [(row.title, row.cells[column.id].note) for row in rows]
        if noted := [f"{title} {note}" for title, note in told if note]:
            notes.append(f"{column.title}: {', '.join(noted)}")
    notes += [
        f"{one.instrument.title}: {one.setting.title} is not for chips; its magnification and field"
        " stand in the table, and it meets no need"
        for one in settings
        if not one.setting.for_chips
    ]
    if len(currencies) > 1:
        notes.append("prices are in " + " and ".join(sorted(currencies)) + " and not compared")
    if bench.display is not None:
        notes.append(f"on display: on a {bench.display.describe()}")
    return Comparison(columns, tuple(rows), tuple(notes))


def best_rows(comparison: Comparison, column: Column) -> tuple[str, ...]:
    """Ids of the rows that are best in a column; several when they cannot be told apart.

    Quantities count as equal while the best one's lead is within their expanded uncertainties.
    Bounds are never best. Empty for
    columns without a better side, for one row, and for prices in several currencies.
    """
    cells = [
        (row.id, row.cells[column.id].value)
        for row in comparison.rows
        if not row.cells[column.id].bound
    ]
    known = [(row, value) for row, value in cells if isinstance(value, Quantity | Money)]
    if column.better is None or len(known) < 2:
        return ()
    if len({value.currency for _, value in known if isinstance(value, Money)}) > 1:
        return ()
    sign = 1 if column.better == "higher" else -1

    def size(value: Quantity | Money) -> float:
        return sign * (value.amount if isinstance(value, Money) else value.value)

    _, top = max(known, key=lambda pair: size(pair[1]))

    def level(value: Quantity | Money) -> bool:
        if not isinstance(value, Quantity) or not isinstance(top, Quantity) or value is top:
            return size(value) == size(top)
        gap = combine(lambda a, b: a - b, (top, value), value.unit)
        return abs(gap.value) <= gap.expanded

    return tuple(row for row, value in known if level(value))


def _claimed(instrument: Instrument) -> dict[str, Cell]:
    stated = [
        claim
        for claim in instrument.claims
        if claim.kind == "magnification" and claim.value and not claim.is_low_end
    ]
    if not stated:
        return {"claimed_magnification": Cell(None, why="no magnification claimed")}
    top = max(stated, key=lambda claim: claim.value or 0)
    return {"claimed_magnification": Cell(Quantity(top.value or 0, "1"), why=f"on: {top.where}")}


def _magnifications(mine: Sequence[SettingResult]) -> dict[str, Cell]:
    cells = {}
    for column, key, why in (
        ("field_equivalent_magnification", "field_equivalent_magnification", NOT_MEASURED),
        ("visual_magnification", "visual_magnification_max", "no eyepiece, or factors not stated"),
        ("on_display_magnification", "on_display_magnification",
         "no display in bench.toml, seen by eye, or not measured"),
    ):  # fmt: skip
        having = [(one, r.value) for one in mine if (r := one.reading(key)) is not None]
        cells[column] = _best(having, max, why)
    return cells


Pick = Callable[..., tuple[SettingResult, Quantity]]


def _best(having: Sequence[tuple[SettingResult, Quantity]], pick: Pick, why: str) -> Cell:
    if not having:
        return Cell(None, why=why)
    one, value = pick(having, key=lambda pair: pair[1].value)
    return Cell(value, one.setting.id)


def _sizes(mine: Sequence[SettingResult], captures: Sequence[CaptureResult]) -> dict[str, Cell]:
    pixels = [
        (one, size)
        for one in mine
        if not one.setting.through_eyepiece
        and (size := native_pixel_size(one, captures)) is not None
    ]
    finest = _best(pixels, min, "")
    enlarged = next((enlargement(one, captures) for one in mine if one.setting.id == finest.setting),
                    None)  # fmt: skip
    if enlarged is not None:
        finest = replace(finest, note=f"native; its files are enlarged {enlarged.value:.2f} times")
    seen = [(one, w.scaled(1e-3, "mm")) for one in mine if (w := one.seen_width) is not None]
    by_eye = bool(seen) and not pixels
    return {
        "pixel_size": finest
        if pixels
        else Cell(None, why="seen by eye" if by_eye else NOT_MEASURED),
        "field_narrowest": _best(seen, min, NOT_MEASURED),
        "field_widest": _best(seen, max, NOT_MEASURED),
    }


def _noted(instrument: Instrument) -> dict[str, Cell]:
    price, clearance = instrument.price, instrument.clearance_um
    return {
        "clearance": Cell(
            None if clearance is None else Quantity(clearance / 1000, "mm"), why=NOT_STATED
        ),
        "standalone": Cell(instrument.standalone, why=NOT_STATED),
        "power": Cell(instrument.power or None, why=NOT_STATED),
        "price_list": Cell(price.list, why=NOT_STATED),
        "price_paid": Cell(price.paid, why=NOT_STATED),
        "price_camera": Cell(price.camera, why="none needed, or not stated"),
        "price_total": Cell(price.total, why=NOT_STATED),
    }


BOUND_SIGN = {"": "", "at least": "≥ ", "at most": "≤ "}
"""What stands before a value that is no more than a bound."""


def cell_text(cell: Cell, column: Column) -> str:
    """A cell as plain text, without its column's unit (but with "x" for magnifications)."""
    value = cell.value
    if value is None:
        return "–"
    if isinstance(value, Quantity):
        return BOUND_SIGN[cell.bound] + (say_times(value) if column.unit == "1" else say(value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


# ---- this field equals that of the NNx view ------------------------------------------------------


def same_field(one: SettingResult, reference: SettingResult) -> SameField | None:
    """Which view of `reference` shows the same field as `one`; None when either has no field.

    D_ref / w times the reference view's stated magnification. An error that both fields share
    (they were measured on one slide) cancels in the ratio.
    """
    width, field = one.seen_width, reference.seen_width
    if width is None or field is None:
        return None
    ratio = combine(lambda w, d: d / w, (width, field), "1")
    power = nominal_magnification(reference.setting)
    equivalent = None if power is None else ratio.scaled(power, "1")
    here = f"{one.instrument.title} in setting {one.setting.title}"
    there = f"{reference.instrument.title} in setting {reference.setting.title}"
    if equivalent is not None and power is not None:
        sentence = (
            f"The field of {here} is that of a {say_times(equivalent)} eyepiece view, judged by"
            f" the view of {there}, whose stated {short(power)}x is taken as exact"
        )
        by_field = reference.reading("visual_magnification_measured")
        if by_field is not None:
            sentence += f" (by the field seen it is {say_times(by_field.value)})"
        sentence += "."
    else:
        sentence = f"The field of {there} is {say(ratio)} times that of {here}."
    return SameField(
        one.instrument.id, one.setting.id, reference.instrument.id, reference.setting.id,
        ratio, power, equivalent, sentence,
    )  # fmt: skip


def same_fields(settings: Sequence[SettingResult]) -> tuple[SameField, ...]:
    """For each instrument's closest setting, the nearest eyepiece view of each other instrument."""
    closest: dict[str, SettingResult] = {}
    views: dict[str, list[SettingResult]] = {}
    for one in settings:
        width = one.seen_width
        if width is None or not one.setting.for_chips:
            continue
        rival = closest.get(one.instrument.id)
        if rival is None or rival.seen_width is None or width.value < rival.seen_width.value:
            closest[one.instrument.id] = one
        if nominal_magnification(one.setting) is not None:
            views.setdefault(one.instrument.id, []).append(one)
    found = []
    for instrument, one in closest.items():
        for other, candidates in views.items():
            if other != instrument:
                pairs = [same_field(one, view) for view in candidates]
                present = [pair for pair in pairs if pair is not None]
                found.append(min(present, key=lambda pair: abs(_apart(pair.ratio.value))))
    return tuple(found)


def _apart(ratio: float) -> float:
    return max(ratio, 1 / ratio)
