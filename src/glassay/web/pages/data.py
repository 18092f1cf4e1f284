"""The data interface, for people who script the workbench; described at /api/openapi.json."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from fastapi import APIRouter, Request

from glassay.bench.measuring.assemble import results_as_json
from glassay.web.by_hand import all_marks
from glassay.web.templating import workbench_of

router = APIRouter(prefix="/api", tags=["bench"])


@router.get("/results")
def results(request: Request) -> dict[str, Any]:
    """Everything that is known: captures, settings, verdicts, comparison (as results.json)."""
    return results_as_json(workbench_of(request).results())


@router.get("/marks")
def marks(request: Request) -> list[dict[str, Any]]:
    """Every measurement by hand: its points and its value with the expanded uncertainty U (95 %)."""
    return all_marks(request)


@router.get("/run")
def run(request: Request) -> dict[str, Any]:
    """How the last run stands."""
    return asdict(request.app.state.runs.state)


@router.post("/run")
def start_run(request: Request) -> dict[str, Any]:
    """Measure what is new or changed, in the background."""
    workbench_of(request).bench()
    return asdict(request.app.state.runs.start())


@router.delete("/run")
def stop_run(request: Request) -> dict[str, Any]:
    """Stop the run under way; what is finished is kept."""
    request.app.state.runs.stop()
    return asdict(request.app.state.runs.state)
