"""The comparison to take along: one page, and its table as data."""

from __future__ import annotations

import datetime

from fastapi import APIRouter, Request
from fastapi.responses import Response

from glassay.report.page import render_page
from glassay.report.parts import Report
from glassay.report.sections.comparison import shown_columns
from glassay.report.table import as_csv, as_json, as_markdown
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


def _download(text: str, media: str, name: str) -> Response:
    """Saved rather than shown: the page's own styles are not those that the policy allows."""
    heads = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(text.encode(), media_type=media, headers=heads)
