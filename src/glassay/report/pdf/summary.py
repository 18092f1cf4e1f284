"""The one-page summary: the answer, the numbers that carry it, and what is still open."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reportlab.platypus import KeepInFrame, Spacer

from glassay.bench.judging.needs import Needs, answer_needs
from glassay.bench.keeping.results import Column
from glassay.bench.planning.shots import open_shots, said
from glassay.bench.table.comparison import best_rows, cell_text
from glassay.report.answer import headline
from glassay.report.numbers import SIGNS
from glassay.report.parts import Report
from glassay.report.pdf.style import (
    HEADS,
    LARGE,
    MARGIN,
    PAGE,
    SMALL,
    TITLE,
    WIDTH,
    micro,
    table,
    text,
)

KEY = (
    "claimed_magnification", "field_equivalent_magnification", "on_display_magnification",
    "pixel_size", "finest_line", "field_narrowest", "field_widest", "claims", "price_total",
    "cost_per_detail",
)  # fmt: skip
"""The table's columns that a summary has room for, in order."""
AT_ONCE = 6
"""Instruments side by side on one page; more follow in a further table."""
FEW_SHOTS = 3


def summary(report: Report) -> list[Any]:
    """The page's contents, shrunk to fit one page whatever the bench."""
    results = report.results
    needs = answer_needs(results)
    parts: list[Any] = [text(results.bench.title, TITLE)]
    if results.bench.note:
        parts.append(text(results.bench.note, SMALL))
    parts += [text(sentence, LARGE) for sentence in headline(results)]
    columns = [c for c in results.comparison.columns if c.id in (report.columns or KEY)]
    parts += comparison_tables(report, columns)
    if needs.ranking:
        parts += [text("What you need", HEADS[3]), needs_table(report, needs)]
        parts += [text(sentence, SMALL) for sentence in needs.sensitivity[:2]]
    shots = open_shots(results)
    if shots:
        names = {one.id: one.title for one in results.bench.instruments}
        parts.append(text("Still open", HEADS[3]))
        lines = [f"{said(s, names)} ({', '.join(s.settles)})" for s in shots[:FEW_SHOTS]]
        parts += [text(line, SMALL) for line in lines]
        if len(shots) > FEW_SHOTS:
            parts.append(text(f"and {len(shots) - FEW_SHOTS} more", SMALL))
    parts.append(text("* best in its row, also where it cannot be told from another. ± is the"
                      " expanded uncertainty at 95 %.", SMALL))  # fmt: skip
    room = PAGE[1] - 2 * MARGIN - 24
    return [KeepInFrame(WIDTH, room, parts, mode="shrink")]


def comparison_tables(report: Report, columns: Sequence[Column]) -> list[Any]:
    """The comparison with one column for each instrument, so that it fits upright pages."""
    comparison = report.results.comparison
    known = [
        c for c in columns if any(row.cells[c.id].value is not None for row in comparison.rows)
    ]
    made: list[Any] = []
    for first in range(0, len(comparison.rows), AT_ONCE):
        rows = comparison.rows[first : first + AT_ONCE]
        lines = [["", *(f"{report.letter(row.id)} {row.title}" for row in rows)]]
        for column in known:
            best = best_rows(comparison, column)
            cells = [
                cell_text(row.cells[column.id], column) + ("\u00a0*" if row.id in best else "")
                for row in rows
            ]
            lines.append([_heading(column), *cells])
        side = 32.0 if len(rows) > 4 else 40.0
        width = (WIDTH - side * 2.6) / max(3, len(rows))
        made += [table(lines, [side * 2.6, *[width] * len(rows)], left=1), Spacer(0, 6)]
    return made


def _heading(column: Column) -> str:
    return column.title + (
        f", {micro(column.unit)}" if column.unit not in ("", "1", "money") else ""
    )


def needs_table(report: Report, needs: Needs) -> Any:
    """Needs against instruments, in the order of the ranking."""
    judged = list(dict.fromkeys(answer.need.id for answer in needs.answers))
    lines = [["", "met", *judged]]
    for one in needs.ranking:
        answers = [needs.answer(need, one.instrument).word for need in judged]
        title = report.results.bench.instrument(one.instrument).title
        lines.append([
            f"{one.place}. {report.letter(one.instrument)} {title}", str(one.met),
            *(f"{SIGNS[word]} {word}" for word in answers),
        ])  # fmt: skip
    width = (WIDTH - 150) / max(4, len(judged))
    return table(lines, [120, 30, *[width] * len(judged)], left=1)
