"""The application: its pages, its data interface, and how its errors are told."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, PlainTextResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from glassay import __version__
from glassay.bench.document.table_reader import BenchMistakes
from glassay.errors import GlassayError
from glassay.report.templating import source
from glassay.web.guard import Guard
from glassay.web.pages import ROUTERS
from glassay.web.runs import Runs
from glassay.web.templating import page
from glassay.web.tiles import Tiles
from glassay.web.workbench import Workbench


def create_app(folder: Path, token: str) -> FastAPI:
    """The workbench of one bench folder. Every request must carry `token` (see `guard`)."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        app.state.runs.stop()

    app = FastAPI(
        title="Glassay workbench", version=__version__, docs_url=None, redoc_url=None,
        openapi_url="/api/openapi.json", lifespan=lifespan,
        # Nothing leaves this computer, whatever the environment asks the framework to report.
        telemetry={"tracing": False, "metrics": False, "logs": False, "auto_configure": False},
        description="The data interface of the workbench. Send the token as"
        " `Authorization: Bearer TOKEN`.",
    )  # fmt: skip
    app.state.workbench = Workbench(folder)
    app.state.runs = Runs(app.state.workbench.folder)
    app.state.tiles = Tiles(app.state.workbench.folder / "results" / "tiles")
    app.state.live = {}
    app.state.recordings = {}
    app.state.said = ""
    for router in ROUTERS:
        app.include_router(router)
    app.add_api_route("/static/page.css", _page_styles, include_in_schema=False)
    static = files("glassay.web").joinpath("static")
    app.mount("/static", StaticFiles(directory=str(static)), name="static")
    app.add_exception_handler(GlassayError, _tell_error)
    app.add_exception_handler(HTTPException, _tell_http_error)
    app.add_middleware(Guard, token=token)
    return app


async def _page_styles() -> Response:
    """The report's styles, which the workbench's own add to."""
    return Response(source("page.css"), media_type="text/css")


async def _tell_error(request: Request, error: Exception) -> Response:
    if _wants_data(request):
        return JSONResponse({"error": str(error)}, 400)
    mistakes = error.mistakes if isinstance(error, BenchMistakes) else ()
    return page(
        request, "error.html", 400, title="This cannot be done", message=str(error),
        mistakes=mistakes,
    )  # fmt: skip


async def _tell_http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if _wants_data(request):
        return JSONResponse({"error": error.detail}, error.status_code)
    if error.status_code != 404:
        return PlainTextResponse(str(error.detail), error.status_code)
    return page(
        request, "error.html", 404, title="There is no such page",
        message="The address leads nowhere on this bench.", mistakes=(),
    )  # fmt: skip


def _wants_data(request: Request) -> bool:
    path = request.url.path
    return path.startswith("/api/") or "application/json" in request.headers.get("accept", "")
