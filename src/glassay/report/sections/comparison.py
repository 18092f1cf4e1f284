"""The answer and the comparison table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from glassay.bench.document.model import Money
from glassay.bench.keeping.results import Cell, Column, Comparison, Row
from glassay.bench.table.comparison import BOUND_SIGN, best_rows
from glassay.quantity import Quantity
from glassay.report.numbers import amount, times
from glassay.report.parts import Report, Section
from glassay.report.templating import Filling

PRACTICAL = (
    "frame_rate", "video_picture", "saved_picture", "lights_off", "zoom_saved", "run_time",
    "storage", "failures", "clearance", "standalone", "power", "price_list", "price_paid",
    "price_camera", "price_total",
)  # fmt: skip
"""Columns that stand in a second table, so that the first one fits on a page."""


@dataclass(frozen=True)
class ShownCell:
    """A cell as it stands on the page."""

    text: Markup | str
    known: bool
    best: bool
    setting: str
    why: str
    note: str


@dataclass(frozen=True)
class ShownTable:
    """Some columns of the comparison; `lines` hold the row and its cells in their order."""

    title: str
    columns: Sequence[Column]
    lines: Sequence[tuple[Row, Sequence[ShownCell]]]

    @property
    def marks_best(self) -> bool:
        """Whether any cell is marked as the best of its column."""
        return any(cell.best for _, cells in self.lines for cell in cells)


def fill(report: Report) -> Filling | None:
    """Headline and tables."""
    comparison = report.results.comparison
    shown = shown_columns(comparison, report.columns)
    first = [column for column in shown if column.id not in PRACTICAL]
    second = [column for column in shown if column.id in PRACTICAL]
    tables = [
        _table(report, title, columns)
        for title, columns in (("What they show", first), ("What they take", second))
        if columns and comparison.rows
    ]
    return {
        "headline": (),
        "tables": tables,
        "notes": comparison.notes,
        "letters": {row.id: report.letter(row.id) for row in comparison.rows},
    }


def shown_columns(comparison: Comparison, chosen: Sequence[str] = ()) -> list[Column]:
    """The chosen columns in their order, or all that hold something in any row."""
    if chosen:
        by_id = {column.id: column for column in comparison.columns}
        return [by_id[column_id] for column_id in chosen]
    return [
        column
        for column in comparison.columns
        if any(row.cells[column.id].value is not None for row in comparison.rows)
    ]


def _table(report: Report, title: str, columns: Sequence[Column]) -> ShownTable:
    comparison = report.results.comparison
    best = {column.id: best_rows(comparison, column) for column in columns}
    lines = []
    for row in comparison.rows:
        settings = {s.id: s.title for s in report.results.bench.instrument(row.id).settings}
        cells = [
            _shown(row.cells[column.id], column, row.id in best[column.id], settings)
            for column in columns
        ]
        lines.append((row, cells))
    return ShownTable(title, columns, lines)


def _shown(cell: Cell, column: Column, best: bool, settings: dict[str, str]) -> ShownCell:
    value = cell.value
    text: Markup | str = "–"
    if isinstance(value, Quantity):
        text = times(value) if column.unit == "1" else amount(value)
        text = Markup(BOUND_SIGN[cell.bound]) + text
    elif isinstance(value, Money):
        text = Markup('<span class="num">{}</span>').format(str(value))
    elif isinstance(value, bool):
        text = "yes" if value else "no"
    elif column.id == "claims" and value is not None:
        counts = Markup("").join(
            Markup("<span>{}</span>").format(count) for count in value.split(", ")
        )
        text = Markup('<span class="tally">{}</span>').format(counts)
    elif value is not None:
        text = value
    setting = settings.get(cell.setting or "", "") if len(settings) > 1 else ""
    return ShownCell(text, value is not None, best, setting, cell.why, cell.note)


SECTION = Section("comparison", "All columns", "comparison.html", fill, folded=True)
