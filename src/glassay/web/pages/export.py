"""The comparison to take along: one page, and its table as data."""

from __future__ import annotations

import datetime

from fastapi import APIRouter, Request
from fastapi.responses import Response

from glassay.report.csv_text import csv_text
from glassay.report.page import render_page
from glassay.report.parts import Report
from glassay.report.sections.comparison import shown_columns
from glassay.report.table import as_csv, as_json, as_markdown
from glassay.web.by_hand import all_marks
from glassay.web.templating import workbench_of

router = APIRouter(include_in_schema=False)


@router.get("/report.html")
def report(request: Request) -> Response:
    """The report, as `glassay report` writes it."""
    results = workbench_of(request).results()
    text = render_page(Report.of(results, datetime.date.today()))
    return _download(text, "text/html; charset=utf-8", "report.html")


@router.get("/table.csv")
def table_csv(request: Request) -> Response:
    results = workbench_of(request).results()
    columns = shown_columns(results.comparison)
    return _download(as_csv(results, columns), "text/csv; charset=utf-8", "comparison.csv")


@router.get("/table.json")
def table_json(request: Request) -> Response:
    results = workbench_of(request).results()
    columns = shown_columns(results.comparison)
    return _download(as_json(results, columns), "application/json", "comparison.json")


@router.get("/table.md")
def table_markdown(request: Request) -> Response:
    results = workbench_of(request).results()
    columns = shown_columns(results.comparison)
    text = as_markdown(results, columns)
    return _download(text, "text/markdown; charset=utf-8", "comparison.md")


@router.get("/marks.csv")
def marks_csv(request: Request) -> Response:
    """Every measurement by hand with its value and points."""
    rows: list[list[object]] = [
        ["capture", "number", "what", "value", "U", "unit", "count", "note", "points (px)"]
    ]
    for one in all_marks(request):
        value = "" if one["value"] is None else f"{one['value']:.9g}"
        u = "" if one["U"] is None else f"{one['U']:.4g}"
        points = " ".join(f"{x:.3f},{y:.3f}" for x, y in one["points"])
        rows.append([one["capture"], one["number"], one["kind"], value, u, one["unit"],
                     one["count"], one["note"], points])  # fmt: skip
    return _download(csv_text(rows), "text/csv; charset=utf-8", "by-hand.csv")


def _download(text: str, media: str, name: str) -> Response:
    """Saved rather than shown: the page's own styles are not those that the policy allows."""
    heads = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(text.encode(), media_type=media, headers=heads)
