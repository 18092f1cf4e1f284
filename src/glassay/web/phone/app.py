"""The phone's page: it takes photos and clips in pieces, and has nothing else."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from importlib.resources import files

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from glassay.errors import Unusable
from glassay.web import limits
from glassay.web.phone.door import Door
from glassay.web.phone.share import Elsewhere, Share
from glassay.web.templating import environment


def create_phone_app(share: Share, host: str) -> Starlette:
    """The application. `host` is the address and port under which it is asked for, and no other."""

    async def page(request: Request) -> Response:
        text = (
            environment()
            .get_template("phone.html")
            .render(most=limits.MAX_PHONE_FILES, piece=limits.MAX_PHONE_PIECE_BYTES)
        )
        return HTMLResponse(text)

    async def state(request: Request) -> Response:
        return JSONResponse({"seconds_left": round(share.seconds_left), "taken": share.taken})

    async def begin(request: Request) -> Response:
        query = request.query_params
        try:
            size = int(query.get("size", "")[:20])
        except ValueError:
            raise Unusable("the size of the file is missing") from None
        name, key = query.get("name", ""), query.get("key", "")[:100]
        known, at = await run_in_threadpool(share.begin, name, size, key)
        return JSONResponse({"id": known, "at": at})

    async def piece(request: Request) -> Response:
        at = request.query_params.get("at", "")
        if not (at.isascii() and at.isdigit()):
            raise Unusable("the place of the piece is missing")
        data = await request.body()
        known = request.query_params.get("id", "")
        whole = await run_in_threadpool(share.add, known, int(at[:20]), data)
        return JSONResponse({"whole": whole})

    async def tell(request: Request, error: Exception) -> Response:
        if isinstance(error, Elsewhere):
            return JSONResponse({"error": str(error), "at": error.at}, 409)
        return JSONResponse({"error": str(error)}, 400)

    async def tell_system_error(request: Request, error: Exception) -> Response:
        return JSONResponse({"error": "The computer cannot keep it (is its disk full?)."}, 507)

    async def nothing(request: Request, error: Exception) -> Response:
        return PlainTextResponse("There is nothing here.", 404)

    app = Starlette(
        routes=[
            Route("/", page), Route("/state", state),
            Route("/begin", begin, methods=["POST"]), Route("/piece", piece, methods=["POST"]),
            *(Route(f"/{name}", _own_file(name, media)) for name, media in OWN_FILES.items()),
        ],
        exception_handlers={
            Unusable: tell, OSError: tell_system_error, 404: nothing, 405: nothing,
        },
    )  # fmt: skip
    app.add_middleware(Door, share=share, host=host)
    return app


OWN_FILES = {"phone.js": "text/javascript", "phone.css": "text/css"}


def _own_file(name: str, media: str) -> Callable[[Request], Awaitable[Response]]:
    data = files("glassay.web").joinpath("static", name).read_bytes()

    async def send(request: Request) -> Response:
        return Response(data, media_type=media)

    return send
