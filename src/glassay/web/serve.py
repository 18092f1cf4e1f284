"""Running the workbench on the loopback address."""

from __future__ import annotations

import asyncio
import logging
import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from glassay.errors import GlassayError, Unusable
from glassay.web.app import create_app
from glassay.web.pages.overview import overview_html
from glassay.web.workbench import Workbench

ADDRESS = "127.0.0.1"
PORT = 8451
"""Asked for first, so that a bookmark stays good; any free port if it is taken. (No registered
service uses it, from memory of the registry of service names.)"""

CLOSING_S = 2
"""How long open pages may hold up the end."""


def serve(
    folder: Path, *, port: int | None = None, token: str | None = None,
    started: Callable[[str], None] = lambda _: None, browser: bool = True,
) -> None:  # fmt: skip
    """Serve the bench in `folder` until interrupted.

    `started` gets the address with its token. Raises `Unusable` when `port` is taken.
    """
    secret = token or secrets.token_urlsafe(24)
    listener = _listen(port)
    address = f"http://{ADDRESS}:{listener.getsockname()[1]}/?token={secret}"
    app = create_app(folder, secret)
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, timeout_graceful_shutdown=CLOSING_S,
        server_header=False, date_header=False,
    )  # fmt: skip
    logging.getLogger("uvicorn.error").addFilter(_is_news)
    server = uvicorn.Server(config)
    started(address)
    threading.Thread(target=_read_ahead, args=(app.state.workbench,), daemon=True).start()
    if browser:
        threading.Timer(0.3, webbrowser.open, (address,)).start()
    server.run(sockets=[listener])


def _is_news(record: logging.LogRecord) -> bool:
    """False for a page that was cut off because the end was asked for: no fault of anything."""
    error = record.exc_info[1] if record.exc_info else None
    return not (isinstance(error, asyncio.CancelledError) or "running task(s)" in str(record.msg))


def _read_ahead(workbench: Workbench) -> None:
    """Read the results while the browser starts; what is wrong is told by the first page."""
    try:
        if workbench.has_bench:
            workbench.derived("overview", overview_html)
    except GlassayError:
        return


def _listen(port: int | None) -> socket.socket:
    wanted = (PORT, 0) if port is None else (port,)
    for number in wanted:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((ADDRESS, number))
            listener.listen()  # from here on who asks waits, rather than being refused
        except OSError:
            listener.close()
            continue
        return listener
    raise Unusable(f"port {port} is taken; leave --port out to get a free one")
