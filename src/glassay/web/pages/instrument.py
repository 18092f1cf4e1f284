"""Everything known of one instrument: claims reading by reading, settings with their budgets."""

from __future__ import annotations

import datetime

from fastapi import APIRouter, Request
from fastapi.responses import Response

from glassay.report.instrument import about, claims, measured
from glassay.report.parts import Report
from glassay.report.templating import render
from glassay.web.templating import page, workbench_of

router = APIRouter(include_in_schema=False)


@router.get("/instrument")
def instrument(request: Request, id: str) -> Response:
    results = workbench_of(request).results()
    one = results.bench.instrument(id)
    report = Report(results, {}, datetime.date.today())
    chapters = []
    for chapter in (about.CHAPTER, claims.CHAPTER, measured.CHAPTER):
        filling = chapter.fill(report, one)
        if filling is not None:
            chapters.append((chapter.id, chapter.title, render(chapter.template, filling)))
    number = [other.id for other in results.bench.instruments].index(id)
    mine = [c for c in results.captures if c.capture.instrument == id]
    return page(
        request, "instrument.html", title=one.title, bench_title=results.bench.title, one=one,
        chapters=chapters, captures=mine, number=number,
    )  # fmt: skip
