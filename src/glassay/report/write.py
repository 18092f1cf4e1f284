"""Writing the report and the table as data into a folder."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from glassay.bench.keeping.results import BenchResults
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.report.evidence import kept_drawings
from glassay.report.page import render_page
from glassay.report.parts import Report
from glassay.report.sections.comparison import shown_columns
from glassay.report.table import as_csv, as_html, as_json, as_latex, as_markdown

PAGE = "report.html"


@dataclass(frozen=True)
class Written:
    """The files that were written."""

    page: Path
    tables: tuple[Path, ...]
    prints: tuple[Path, ...] = ()
    """The report and its summary as PDF, when asked for."""


def write_report(
    results: BenchResults,
    folder: Path,
    *,
    columns: Sequence[str] = (),
    without: Sequence[str] = (),
    written: datetime.date | None = None,
    pdf: bool = False,
) -> Written:
    """Write `report.html` and the table as CSV, JSON, Markdown, LaTeX and HTML into `folder`.

    `columns` are ids of the table's columns (default: all that hold something), `without` those to
    leave out; `written` is the date on the page (default: today). With `pdf`,
    also `report.pdf` and the one-page `summary.pdf`. Raises `Unusable` for an unknown
    column, or when the folder cannot be written.
    """
    known = [column.id for column in results.comparison.columns]
    for column_id in (*columns, *without):
        if column_id not in known:
            raise Unusable(f"there is no column {column_id!r}; there are {', '.join(known)}")
    shown = [c for c in shown_columns(results.comparison, columns) if c.id not in without]
    if without:
        columns = [column.id for column in shown]
        if not columns:
            raise Unusable("no column is left to show")
    report = Report.of(results, written or datetime.date.today(), tuple(columns))
    page = folder / PAGE
    write_atomically(page, render_page(report).encode())
    tables = []
    for suffix, text in (
        ("csv", as_csv(results, shown)),
        ("json", as_json(results, shown)),
        ("md", as_markdown(results, shown)),
        ("tex", as_latex(results, shown)),
        ("html", as_html(results, shown)),
    ):
        path = folder / f"comparison.{suffix}"
        write_atomically(path, text.encode())
        tables.append(path)
    prints = _prints(report, folder) if pdf else ()
    kept_drawings(results).forget_others()
    return Written(page, tuple(tables), prints)


def _prints(report: Report, folder: Path) -> tuple[Path, ...]:
    from glassay.report.printed import write_pdf, write_summary

    whole, first = folder / "report.pdf", folder / "summary.pdf"
    write_pdf(report, whole)
    write_summary(report, first)
    return whole, first
