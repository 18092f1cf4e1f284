"""Listening on one address: quietly, and to nobody without end."""

from __future__ import annotations

import asyncio
import socket

import h11
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from glassay.errors import Unusable
from glassay.web import limits

CLOSING_S = 2
"""How long open pages may hold up the end."""


def config_of(app: ASGIApp) -> uvicorn.Config:
    """How an application is served; it says nothing of the server's kind and version."""
    return uvicorn.Config(
        app, http=ImpatientProtocol, ws="none", log_level="warning", access_log=False,
        timeout_graceful_shutdown=CLOSING_S, server_header=False, date_header=False,
        limit_concurrency=limits.MOST_CONNECTIONS,
    )  # fmt: skip


def listen(address: str, ports: tuple[int, ...]) -> socket.socket:
    """A socket that listens on the first of these ports that is free. Raises `Unusable`."""
    for number in ports:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((address, number))
            listener.listen()  # from here on who asks waits, rather than being refused
        except OSError:
            listener.close()
            continue
        return listener
    raise Unusable(f"port {ports[0]} is taken; leave --port out to get a free one")


class ImpatientProtocol(H11Protocol):
    """Ends a connection on which a request is not begun, or only half its head comes.

    What stalls in a request's body is ended by `bodies.counted`.
    """

    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._wait_no_more()
        elif self._waiting is None:  # the beginning of a further request
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        self._wait_no_more()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._waiting = self.loop.call_later(limits.HEAD_S, self.transport.close)

    def _wait_no_more(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
