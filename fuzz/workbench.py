"""The forms and addresses of the workbench, asked in this process without a socket."""

from __future__ import annotations

import asyncio
import logging
import shutil
import string
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
from PIL import Image

from glassay.web import create_app

KEY = "a-key-for-scripts"
HOST = "127.0.0.1:8451"

POSTS = (
    "/edit/table", "/edit/remove", "/edit/undo", "/capture/mark", "/capture/mark/change",
    "/capture/unmark", "/upload", "/upload/begin", "/upload/file", "/incoming", "/filing/stop",
    "/live/frame", "/live/recording/end",
)  # fmt: skip
GETS = (
    "/", "/captures", "/capture", "/edit", "/edit/table", "/tile", "/thumb", "/incoming",
    "/incoming/thumb", "/side-by-side", "/side-by-side/plate.png", "/instrument", "/marks.csv",
    "/table.csv", "/table.json", "/table.md", "/api/results", "/api/marks", "/api/run", "/filing",
    "/capture/marks", "/live",
)  # fmt: skip

TEXT = """# kept
[bench]
title = "A"
[[object]]
id = "slide"
kind = "ruled scale"
division = "10 um"
[[instrument]]
id = "pad"
kind = "USB"
[[instrument.claim]]
kind = "field width"
value = "3 mm"
where = "box"
[[capture]]
file = "captures/a.png"
instrument = "pad"
object = "slide"
"""
BENCH_BYTES = 8_000
"""A bench that has grown beyond this begins anew, or each request would be slower than the last."""


class Fault(Exception):
    """The workbench answered with a fault of its own."""


class _Noted(logging.Handler):
    def __init__(self) -> None:
        super().__init__()
        self.error: BaseException | None = None

    def emit(self, record: logging.LogRecord) -> None:
        if record.exc_info and record.exc_info[1] is not None:
            self.error = record.exc_info[1]


@cache
def _noted() -> _Noted:
    log = logging.getLogger("glassay.web")
    log.setLevel(logging.DEBUG)
    log.propagate = False
    handler = _Noted()
    log.addHandler(handler)
    return handler


@cache
def _loop() -> asyncio.AbstractEventLoop:
    return asyncio.new_event_loop()


@cache
def _app(folder: Path) -> Any:
    _begin(folder)
    return create_app(folder, "entry", KEY)


def _begin(folder: Path) -> None:
    shutil.rmtree(folder / "results", ignore_errors=True)
    (folder / "captures").mkdir(exist_ok=True)
    (folder / "marks.toml").unlink(missing_ok=True)
    (folder / "bench.toml").write_text(TEXT)
    if not (folder / "captures" / "a.png").exists():
        Image.fromarray(np.zeros((24, 32), np.uint8)).save(folder / "captures" / "a.png")


def ask(data: bytes, folder: Path) -> None:
    """One request: the first byte chooses the page, the rest is its query or form. Raises what the
    workbench could not answer, and `Fault` for an answer of 500."""
    app = _app(folder)
    if not data:
        return
    addresses = [("POST", path) for path in POSTS] + [("GET", path) for path in GETS]
    method, path = addresses[data[0] % len(addresses)]
    query, _, body = data[1:].partition(b"\n") if method == "POST" else (data[1:], b"", b"")
    query = quote(query, safe=string.punctuation).encode()  # servers let nothing else pass
    noted = _noted()
    noted.error = None
    status = _loop().run_until_complete(_status(app, method, path, query, body))
    if noted.error is not None:
        raise noted.error
    if status >= 500 and status != 507:
        raise Fault(f"{method} {path} was answered with {status}")
    text = folder / "bench.toml"
    if text.stat().st_size > BENCH_BYTES or (folder / "results").exists():
        _begin(folder)


async def _status(app: Any, method: str, path: str, query: bytes, body: bytes) -> int:
    kind = b"application/x-www-form-urlencoded"
    if path == "/upload":
        kind = b"multipart/form-data; boundary=x"
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
        "scheme": "http", "path": path, "raw_path": path.encode(), "query_string": query,
        "root_path": "", "server": ("127.0.0.1", 8451),
        "client": ("127.0.0.1", 1), "state": {},
        "headers": [(b"host", HOST.encode()), (b"authorization", b"Bearer " + KEY.encode()),
                    (b"content-type", kind), (b"content-length", str(len(body)).encode())],
    }  # fmt: skip
    statuses: list[int] = []
    waiting = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> dict[str, Any]:
        return waiting.pop() if waiting else {"type": "http.disconnect"}

    async def send(message: dict[str, Any]) -> None:
        if message["type"] == "http.response.start":
            statuses.append(message["status"])

    await asyncio.wait_for(app(scope, receive, send), 30)
    return statuses[0] if statuses else 0
