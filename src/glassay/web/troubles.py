"""How what goes wrong is told: one clear line, on a page or as data, never a traceback."""

from __future__ import annotations

import errno
import logging

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException

from glassay.bench.document.edit import NotAccepted
from glassay.bench.document.mistakes import BenchMistakes
from glassay.errors import GlassayError
from glassay.web.templating import page

LOG = logging.getLogger("glassay.web")

FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def add_to(app: FastAPI) -> None:
    """Register the ways to tell."""
    app.add_exception_handler(GlassayError, _tell_error)
    app.add_exception_handler(HTTPException, _tell_http_error)
    app.add_exception_handler(RequestValidationError, _tell_odd_request)
    app.add_exception_handler(OSError, _tell_system_error)


async def _tell_error(request: Request, error: Exception) -> Response:
    if _wants_data(request):
        return JSONResponse({"error": str(error)}, 400)
    mistakes = error.mistakes if isinstance(error, BenchMistakes) else ()
    return page(
        request, "error.html", 400, title="This cannot be done", message=str(error),
        mistakes=mistakes, written=not isinstance(error, NotAccepted),
    )  # fmt: skip


async def _tell_http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if error.status_code == 404:
        title, line = "There is no such page", "The address leads nowhere on this bench."
    else:
        title, line = "This cannot be done", str(error.detail)
    return _told(request, error.status_code, title, line)


async def _tell_odd_request(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    names = sorted({str(one["loc"][-1]) for one in error.errors() if one.get("loc")})
    line = f"The address or form says nothing that can be used for {', '.join(names)[:200]}."
    return _told(request, 400, "This cannot be done", line)


async def _tell_system_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, OSError)
    if error.errno in FULL:
        line = "The disk is full. Nothing that was there is lost; make room and try again."
        return _told(request, 507, "This cannot be written", line)
    why = error.strerror or type(error).__name__
    return _told(request, 500, "This cannot be done", f"The system refused it ({why}).")


def tell_fault(error: Exception) -> str:
    """Note a fault of the program itself, and the line for the page."""
    LOG.error("%s: %s", type(error).__name__, " ".join(str(error).split())[:300])
    LOG.debug("where it was", exc_info=error)
    return (
        "The workbench made a mistake here, and noted it in the terminal. Nothing that was saved is"
        " lost."
    )


def _told(request: Request, status: int, title: str, line: str) -> Response:
    if _wants_data(request):
        return JSONResponse({"error": line}, status)
    return page(request, "error.html", status, title=title, message=line, mistakes=())


def _wants_data(request: Request) -> bool:
    path = request.url.path
    return path.startswith("/api/") or "application/json" in request.headers.get("accept", "")
