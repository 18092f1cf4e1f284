"""The comparison table as CSV, JSON, Markdown, LaTeX and HTML."""

from __future__ import annotations

import json
from collections.abc import Sequence

from glassay import __version__
from glassay.bench.document.model import Money
from glassay.bench.keeping.results import BenchResults, Cell, Column
from glassay.bench.measuring.assemble import results_as_json
from glassay.bench.table.comparison import best_rows, cell_text
from glassay.quantity import Quantity
from glassay.report.csv_text import csv_text
from glassay.report.templating import render


def as_csv(results: BenchResults, columns: Sequence[Column]) -> str:
    """One line for each instrument. Quantities have columns for value, U (95 %) and setting.

    Headings are the stable ids of the columns, with the unit in brackets.
    """
    comparison = results.comparison
    rows: list[list[str]] = [
        ["id", "instrument", *(name for column in columns for name in _csv_headings(column))]
    ]
    for row in comparison.rows:
        cells = [part for c in columns for part in _csv_cells(row.cells[c.id], c)]
        rows.append([row.id, row.title, *cells])
    return csv_text(rows)


def _csv_headings(column: Column) -> list[str]:
    if column.unit == "":
        return [column.id]
    if column.unit == "money":
        return [column.id, f"{column.id} currency"]
    unit = "" if column.unit == "1" else f" ({column.unit})"
    return [f"{column.id}{unit}", f"{column.id} U{unit}", f"{column.id} setting"]


def _csv_cells(cell: Cell, column: Column) -> list[str]:
    value = cell.value
    if column.unit == "":
        return ["" if value is None else cell_text(cell, column)]
    if column.unit == "money":
        return [f"{value.amount:.2f}", value.currency] if isinstance(value, Money) else ["", ""]
    if not isinstance(value, Quantity):
        return ["", "", ""]
    return [
        f"{value.value:.9g}",
        f"{value.expanded:.4g}",
        " ".join(filter(None, (cell.setting, cell.bound and f"({cell.bound})"))),
    ]


def as_json(results: BenchResults, columns: Sequence[Column]) -> str:
    """Title, columns, rows and notes as in `results.json`, with the best rows of each column."""
    data = results_as_json(results)["comparison"]
    chosen = [column.id for column in columns]
    out = {
        "glassay": __version__,
        "title": results.bench.title,
        "columns": [
            {**described, "best": list(best_rows(results.comparison, column))}
            for column in columns
            for described in data["columns"]
            if described["id"] == column.id
        ],
        "rows": [
            {**row, "cells": {key: row["cells"][key] for key in chosen}} for row in data["rows"]
        ],
        "notes": data["notes"],
        "assumptions": list(results.assumptions),
    }
    return json.dumps(out, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def as_markdown(results: BenchResults, columns: Sequence[Column]) -> str:
    """The table in Markdown; the best of a column is bold, and says so."""
    comparison = results.comparison
    lines = [f"# {_plain(results.bench.title)}", ""]
    heads = ["instrument", *(_markdown_heading(column) for column in columns)]
    rules = ["---", *("---:" if column.unit else "---" for column in columns)]
    lines += [_line(heads), _line(rules)]
    best = {column.id: best_rows(comparison, column) for column in columns}
    for row in comparison.rows:
        cells = [_plain(row.title)]
        for column in columns:
            text = _plain(cell_text(row.cells[column.id], column))
            cells.append(f"**{text}**" if row.id in best[column.id] else text)
        lines.append(_line(cells))
    lines += ["", "Bold: best in its column. ± is the expanded uncertainty at 95 %.", ""]
    notes = [*comparison.notes, *results.assumptions]
    lines += [f"- {_plain(note)}" for note in notes]
    return "\n".join(lines).rstrip() + "\n"


def _markdown_heading(column: Column) -> str:
    unit = "" if column.unit in ("", "1", "money") else f" ({column.unit})"
    return f"{column.title}{unit.replace('um', 'µm')}"


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"


_SPECIAL = str.maketrans({mark: f"\\{mark}" for mark in "\\|*_`[]<>#"})


def _plain(text: str) -> str:
    """Text that Markdown shows as it is."""
    return " ".join(text.split()).translate(_SPECIAL)


# ---- LaTeX ---------------------------------------------------------------------------------------

_LATEX = {
    "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_",
    "{": r"\{", "}": r"\}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
    "<": r"\textless{}", ">": r"\textgreater{}", "±": r"$\pm$", "µ": r"\textmu{}",
    "\u2212": "$-$", "–": "--", "|": r"\textbar{}", '"': r"\textquotedbl{}",
}  # fmt: skip


def as_latex(results: BenchResults, columns: Sequence[Column]) -> str:
    """The table as one `table` environment that needs no package (encoding T1 for quotes).

    Each row ends in its stable id as a comment; the best of a column is bold with a star, so that
    it can be told without weight.
    """
    comparison = results.comparison
    best = {column.id: best_rows(comparison, column) for column in columns}
    shape = "l" + "".join("r" if column.unit else "l" for column in columns)
    heads = ["instrument", *(_markdown_heading(column) for column in columns)]
    lines = [
        f"% written by Glassay {__version__}; columns: "
        + ", ".join(["id", *(column.id for column in columns)]),
        r"\begin{table}", r"\centering", rf"\caption{{{_latex(results.bench.title)}}}",
        r"\label{tab:comparison}", rf"\begin{{tabular}}{{{shape}}}", r"\hline",
        " & ".join(_latex(head) for head in heads) + r" \\", r"\hline",
    ]  # fmt: skip
    for row in comparison.rows:
        cells = [_latex(row.title)]
        for column in columns:
            text = _latex(cell_text(row.cells[column.id], column))
            cells.append(rf"\textbf{{{text}}}*" if row.id in best[column.id] else text)
        lines.append(" & ".join(cells) + rf" \\ % {row.id}")
    notes = [*_definitions(columns), *comparison.notes, *results.assumptions]
    lines += [
        r"\hline", r"\end{tabular}", r"\par\smallskip\footnotesize\raggedright",
        r"* best in its column. $\pm$ is the expanded uncertainty at 95\,\%.",
        *(_latex(f"{note}.") for note in notes), r"\end{table}",
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def _latex(text: str) -> str:
    plain = " ".join(text.split()).replace(" um", " µm")
    return "".join(_LATEX.get(mark, mark) for mark in plain)


def _definitions(columns: Sequence[Column]) -> list[str]:
    return [f"{column.title}: {column.definition}" for column in columns]


# ---- HTML ----------------------------------------------------------------------------------------


def as_html(results: BenchResults, columns: Sequence[Column]) -> str:
    """The table as a page of its own. Ids for links: `row-ID`, `column-ID` and `ID.COLUMN`."""
    comparison = results.comparison
    shown = [(column, best_rows(comparison, column)) for column in columns]
    return str(
        render("table.html", {
            "title": results.bench.title, "version": __version__,
            "columns": [(column, _markdown_heading(column)) for column in columns],
            "lines": [
                (row, [
                    (column, cell_text(row.cells[column.id], column), row.cells[column.id],
                     row.id in best)
                    for column, best in shown
                ])
                for row in comparison.rows
            ],
            "notes": [*comparison.notes, *results.assumptions],
        })
    )  # fmt: skip
