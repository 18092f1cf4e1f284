"""The bench at a glance: the comparison, the claims, and what is missing next."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import Response
from markupsafe import Markup

from glassay.bench.keeping.filing import start_bench
from glassay.bench.keeping.results import BenchResults
from glassay.bench.planning.shots import open_shots, said, settles_words
from glassay.report.answer import headline
from glassay.report.parts import Report
from glassay.report.sections import comparison
from glassay.report.templating import render
from glassay.web.templating import back_to, fragment, link, page, workbench_of

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class Missing:
    """Something still to do, and where it is done."""

    what: str
    why: str
    address: str


@router.get("/")
def overview(request: Request) -> Response:
    bench = workbench_of(request)
    if not bench.has_bench:
        return page(request, "start.html", title="A new bench", folder=bench.folder)
    results = bench.results()
    return page(
        request, "overview.html", title=results.bench.title, bench_title=results.bench.title,
        here="/", overview=bench.derived("overview", overview_html),
    )  # fmt: skip


def overview_html(results: BenchResults) -> Markup:
    """What stands below the title; it changes with the results only."""
    return fragment(
        "overview_body.html", results=results, headline=headline(results),
        table=comparison_html(results), missing=missing(results), states=states(results),
    )  # fmt: skip


@router.post("/start")
def start(request: Request, title: Annotated[str, Form()] = "") -> Response:
    bench = workbench_of(request)
    start_bench(bench.folder, title.strip()[:200])
    return back_to(request, "/edit", "The bench is there. Say first what the instruments are.")


@router.post("/another")
def another(request: Request) -> Response:
    """An address for another browser; each lets in once."""
    entry = request.app.state.keys.another_entry()
    address = f"{request.url.scheme}://{request.url.netloc}/?token={entry}"
    return page(request, "another.html", title="Another browser", address=address)


def comparison_html(results: BenchResults) -> Markup:
    """The report's comparison, its rows linked to the instruments below it."""
    report = Report(results, {}, datetime.date.today())
    filling = comparison.fill(report)
    return Markup("") if filling is None else render("comparison.html", {**filling, "headline": ()})


def states(results: BenchResults) -> dict[str, int]:
    """How many captures stand how."""
    counted: dict[str, int] = {}
    for one in results.captures:
        counted[one.status] = counted.get(one.status, 0) + 1
    return counted


def missing(results: BenchResults) -> list[Missing]:
    """What to do next, most useful first: define, file, measure, photograph again, settle."""
    found: list[Missing] = []
    bench = results.bench
    if not bench.instruments:
        found.append(Missing("Say what the instruments are", "", "/edit"))
    elif not bench.captures:
        found.append(Missing("File photos", "nothing is filed yet", "/captures"))
    waiting = [one for one in results.captures if one.status == "not run"]
    if waiting:
        count = len(waiting)
        what = f"Measure {count} {'capture' if count == 1 else 'captures'}"
        found.append(Missing(what, "filed, but not measured yet", "/run"))
    for one in results.captures:
        if one.status in ("refused", "unusable"):
            address = link("/capture", id=one.capture.id)
            found.append(Missing(f"Look at {one.capture.id} again", one.reason, address))
    names = {one.id: one.title for one in bench.instruments}
    for shot in open_shots(results):
        address = link("/instrument", id=shot.instrument)
        what = sentence_start(said(shot, names))
        found.append(Missing(what, settles_words(shot), address))
    return found


def sentence_start(text: str) -> str:
    """With a capital."""
    return text[:1].upper() + text[1:]
