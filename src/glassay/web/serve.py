"""Running the workbench on the loopback address."""

from __future__ import annotations

import asyncio
import logging
import secrets
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from glassay.errors import GlassayError
from glassay.web.app import create_app
from glassay.web.listening import CLOSING_S, config_of, listen
from glassay.web.pages.overview import overview_html
from glassay.web.phone.serve import PhonePage
from glassay.web.workbench import Workbench

ADDRESS = "127.0.0.1"
PORT = 8451
"""Asked for first, so that a bookmark stays good; any free port if it is taken. (No registered
service uses it, from memory of the registry of service names.)"""


def serve(
    folder: Path, *, port: int | None = None, entry: str | None = None,
    script_key: str | None = None, started: Callable[[str], None] = lambda _: None,
    browser: bool = True, phone: PhonePage | None = None,
) -> None:  # fmt: skip
    """Serve the bench in `folder` until interrupted, and close the `phone`'s page then.

    `started` gets the address that lets a browser in, once. Raises `Unusable` when `port` is taken.
    """
    secret = entry or secrets.token_urlsafe(24)
    listener = listen(ADDRESS, (PORT, 0) if port is None else (port,))
    address = f"http://{ADDRESS}:{listener.getsockname()[1]}/?token={secret}"
    app = create_app(folder, secret, script_key)
    app.state.phone = phone
    logging.getLogger("uvicorn.error").addFilter(_is_news)
    server = uvicorn.Server(config_of(app))
    started(address)
    threading.Thread(target=_read_ahead, args=(app.state.workbench,), daemon=True).start()
    if browser:
        threading.Timer(0.3, webbrowser.open, (address,)).start()
    try:
        server.run(sockets=[listener])
    finally:
        if phone is not None:
            phone.close()
            phone.wait(CLOSING_S + 1)


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
