"""The application: its pages, its data interface, and how its errors are told."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

from fastapi import FastAPI
from fastapi.responses import Response
from fastapi.staticfiles import StaticFiles

from glassay import __version__
from glassay.report.templating import source
from glassay.web import troubles
from glassay.web.filings import Filings
from glassay.web.guard import Guard
from glassay.web.keys import Keys
from glassay.web.live_mosaics import LiveMosaics
from glassay.web.looks import Looks
from glassay.web.pages import ROUTERS
from glassay.web.recordings import Recordings
from glassay.web.runs import Runs
from glassay.web.tiles import Tiles
from glassay.web.workbench import Workbench


def create_app(folder: Path, entry: str, script_key: str | None = None) -> FastAPI:
    """The workbench of one bench folder. `entry` lets one browser in, once; with `script_key` scripts
    may ask (see `keys` and `guard`)."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        app.state.runs.stop()
        app.state.filings.stop()
        app.state.looks.stop()

    app = FastAPI(
        title="Glassay workbench", version=__version__, docs_url=None, redoc_url=None,
        openapi_url="/api/openapi.json", lifespan=lifespan,
        # Nothing leaves this computer, whatever the environment asks the framework to report.
        telemetry={"tracing": False, "metrics": False, "logs": False, "auto_configure": False},
        description="The data interface of the workbench. Send the key that `glassay open"
        " --for-scripts` printed as `Authorization: Bearer KEY`.",
    )  # fmt: skip
    app.state.workbench = Workbench(folder)
    app.state.runs = Runs(app.state.workbench.folder)
    app.state.tiles = Tiles(app.state.workbench.folder)
    app.state.filings = Filings()
    app.state.looks = Looks()
    app.state.phone = None
    app.state.live = {}
    app.state.recordings = Recordings(app.state.workbench.folder)
    app.state.live_mosaics = LiveMosaics(app.state.workbench.folder)
    app.state.said = OrderedDict()
    app.state.keys = Keys(entry, script_key)
    for router in ROUTERS:  # as it is: including it would build each of its routes a second time
        app.router.routes.extend(router.routes)
    for name, media in SHARED.items():
        app.add_api_route(f"/static/{name}", _of_report(name, media), include_in_schema=False)
    static = files("glassay.web").joinpath("static")
    app.mount("/static", StaticFiles(directory=str(static)), name="static")
    troubles.add_to(app)
    app.add_middleware(Guard, keys=app.state.keys)
    return app


SHARED = {
    name: "text/css" if name.endswith(".css") else "text/javascript"
    for name in (
        "page.css", "layers.css", "layers.js", "die_sheet.css", "mosaic.css", "look_closer.js",
    )
}  # fmt: skip
"""What the workbench's pages take from the report's: its styles, which their own add to, layers, and
how a mosaic is looked at."""


def _of_report(name: str, media: str) -> Callable[[], Awaitable[Response]]:
    async def answer() -> Response:
        return Response(source(name), media_type=media)

    return answer
