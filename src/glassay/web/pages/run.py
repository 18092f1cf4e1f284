"""Measuring what is new: started, watched and stopped."""

from __future__ import annotations

from dataclasses import asdict

from fastapi import APIRouter, Request
from fastapi.responses import Response

from glassay.web.runs import Runs
from glassay.web.telling import told_until_it_ends
from glassay.web.templating import back_to, page, workbench_of

router = APIRouter(include_in_schema=False)


@router.get("/run")
def show(request: Request) -> Response:
    results = workbench_of(request).results()
    waiting = [one for one in results.captures if one.status == "not run"]
    return page(
        request, "run.html", title="Measure", bench_title=results.bench.title, here="/run",
        state=request.app.state.runs.state, waiting=waiting, results=results,
    )  # fmt: skip


@router.post("/run/start")
def start(request: Request) -> Response:
    workbench_of(request).bench()  # tells mistakes here rather than in the background
    request.app.state.runs.start()
    return back_to(request, "/run")


@router.post("/run/stop")
def stop(request: Request) -> Response:
    request.app.state.runs.stop()
    return back_to(request, "/run", "Stopped. What was finished is kept.")


@router.get("/run/events")
async def events(request: Request) -> Response:
    """How the run stands, as server-sent events, until it ends or the page goes."""
    runs: Runs = request.app.state.runs
    return told_until_it_ends(request, lambda: asdict(runs.state))
