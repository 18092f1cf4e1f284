"""The first screen: the plate, three picks, contradictions, and the table of what decides."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from glassay.bench.chip.plate import Plate, Wanted, make_plate
from glassay.bench.keeping.results import BenchResults, Cell, Row
from glassay.bench.measuring.resolved import Resolved
from glassay.bench.saying.contradictions import said
from glassay.bench.saying.words import say_length
from glassay.bench.table.comparison import best_rows, cell_text
from glassay.errors import GlassayError
from glassay.quantity import Quantity
from glassay.report.answer import headline
from glassay.report.numbers import prose
from glassay.report.parts import Report, Section
from glassay.report.picks import (
    Line,
    claims_of_all,
    finest_of,
    furthest_off,
    picks,
    verdict_in_words,
)
from glassay.report.plate_layout import BAR_SHARE, round_length
from glassay.report.plate_pictures import kept_search, panel_uri
from glassay.report.sections.same_chip import matched_chips, plate_of_chip
from glassay.report.templating import Filling

HERO_PX = 300
"""Side of one panel of the plate on the first screen."""

HERO_BYTES = 240_000
"""All its panels together."""

MOST_PANELS = 8

HEADS = ("finest line", "field", "real pixels", "real frames", "claims met", "price", "in words")
"""The columns that decide, in the order in which they do."""


@dataclass(frozen=True)
class Decisive:
    """One value of the table: its text, whether it is the best of its column, a line below it."""

    text: str
    best: bool = False
    below: str = ""


def fill(report: Report) -> Filling | None:
    """Everything on the first screen, as data; the print is set from the same."""
    results = report.results
    return {
        "plate": hero(report), "picks": picks(results), "furthest": furthest_off(results),
        "contradictions": contradictions(results),
        "said": () if picks(results) else headline(results),
        "heads": HEADS, "lines": list(decisive(report)),
    }  # fmt: skip


def contradictions(results: BenchResults) -> tuple[str, ...]:
    """What two findings say against each other, a sentence each."""
    return tuple(said(one, results.bench) for one in results.doubts)


# ---- the plate -----------------------------------------------------------------------------------


def plate_of(report: Report) -> Plate | None:
    """The plate of the chip that most instruments show; None without one."""
    chips = matched_chips(report)
    if not chips:
        return None
    try:
        if len(chips) == 1:
            return plate_of_chip(report, chips[0])
        return make_plate(report.results, chips, Wanted(), kept_search(report.results))
    except GlassayError:
        return None  # the section on the chip says why


def hero(report: Report) -> Filling | None:
    """The plate's panels as pictures with their captions."""
    plate = plate_of(report)
    if plate is None:
        return None
    panels = plate.panels[:MOST_PANELS]
    shape = (round(HERO_PX / plate.aspect), HERO_PX)
    width = plate.width_um.value
    bar = round_length(BAR_SHARE * width)
    shown = [
        {
            "picture": panel_uri(report.results, plate, p, shape, HERO_BYTES // len(panels)),
            "instrument": p.caption.instrument, "id": p.capture.instrument,
            "detail": _detail(p.caption.resolved),
        }
        for p in panels
    ]  # fmt: skip
    return {
        "panels": shown, "px": shape, "wide": prose(say_length(Quantity(float(f"{width:.3g}"), "um"))),
        "chip": plate.chip, "bar": prose(say_length(Quantity(bar, "um"))),
        "bar_share": 100 * bar / width, "left_out": plate.left_out,
    }  # fmt: skip


def _detail(resolved: Resolved | None) -> str:
    if resolved is None:
        return "detail not measured"
    line = prose(say_length(resolved.line))
    if resolved.is_bound:
        return f"no line finer than {line}"
    return f"lines of {line}"


# ---- the table -----------------------------------------------------------------------------------


def decisive(report: Report) -> Iterator[tuple[Row, str, Sequence[Decisive]]]:
    """Each instrument's row, its letter and its seven values, the finest line first."""
    comparison = report.results.comparison
    columns = {column.id: column for column in comparison.columns}
    ids = ("saved_picture", "frame_rate", "price_total")
    told = {row.id: finest_of(report.results, row.id) for row in comparison.rows}
    finest = next((one.instruments for one in picks(report.results) if one.id == "finest"), ())
    best = {one: best_rows(comparison, columns[one]) for one in ids if one in columns}
    for row in sorted(comparison.rows, key=lambda row: _finest_first(told[row.id])):
        cells = row.cells

        def value(key: str, unit: str, row: Row = row) -> Decisive:
            cell = row.cells[key]
            text = prose(cell_text(cell, columns[key]))
            known = cell.value is not None
            return Decisive(f"{text}\u00a0{unit}" if known and unit else text,
                            row.id in best.get(key, ()),
                            "" if known else cell.why)  # fmt: skip

        yield row, report.letter(row.id), (
            _line(told[row.id], row.id in finest), Decisive(_field(cells)),
            value("saved_picture", "MP"), value("frame_rate", "/\u2060s"),
            Decisive(claims_of_all(report.results, row.id) or "–"),
            value("price_total", ""), Decisive(verdict_in_words(report.results, row.id) or "–"),
        )  # fmt: skip


def _finest_first(line: Line | None) -> tuple[bool, float]:
    return line is None, line.sure if line is not None else 0.0


def _line(line: Line | None, best: bool) -> Decisive:
    if line is None:
        return Decisive("–", below="no finest line was measured")
    text = prose(say_length(line.width))
    return Decisive(f"{text}, by phone" if line.by_eyepiece else text, best)


def _field(cells: Mapping[str, Cell]) -> str:
    low, high = (cells[key].value for key in ("field_narrowest", "field_widest"))
    if not isinstance(low, Quantity) or not isinstance(high, Quantity):
        return "–"
    if low is high or low.value == high.value:
        return f"{low.value:.3g}\u00a0mm"
    return f"{low.value:.3g} to {high.value:.3g}\u00a0mm"


SECTION = Section("answer", "The answer", "answer.html", fill)
