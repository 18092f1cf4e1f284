"""Who may come in by the phone's page: one device for each code, from its own address, no flood."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from urllib.parse import parse_qs

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from glassay.web import limits
from glassay.web.answering import answered, turned_away
from glassay.web.bodies import TOO_MUCH, counted, says_too_much
from glassay.web.keys import cookies_of
from glassay.web.phone.share import Share

HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self';"
    " connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
COOKIE = "glassay-phone"
ADDRESSES_KEPT = 1000
"""Addresses whose asking is counted."""


class Door:
    """ASGI middleware around the phone's page."""

    def __init__(
        self, app: ASGIApp, share: Share, host: str, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._app = app
        self._share = share
        self._host = host
        self._crowd = Crowd(clock)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        refusal = self._refusal(scope, Headers(scope=scope))
        body = counted(scope, receive, limits.MAX_PHONE_PIECE_BYTES)
        await answered(self._app, scope, body, send, HEADERS, refusal)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        address = (scope.get("client") or ("", 0))[0]
        cookies = cookies_of(headers.get("cookie", ""), COOKIE)
        known = any(self._share.is_in(cookie, address) for cookie in cookies)
        if not known and self._crowd.is_too_much(address):
            return turned_away("Too many requests; please wait a little.", 429)
        if headers.get("host", "") != self._host:
            return PlainTextResponse("Not here.", 421)
        if not self._share.seconds_left:
            return turned_away("This page has ended. Ask for a new code.", 410)
        if scope["method"] not in ("GET", "POST"):
            return PlainTextResponse("Not allowed.", 405)
        if known:
            if scope["method"] == "POST" and headers.get("origin") != f"http://{self._host}":
                return PlainTextResponse("Only its own page may hand over.", 403)
            if says_too_much(scope, headers, limits.MAX_PHONE_PIECE_BYTES):
                return PlainTextResponse(TOO_MUCH, 413)
            return None
        return self._way_in(scope, address)

    def _way_in(self, scope: Scope, address: str) -> Response:
        query = parse_qs(scope["query_string"].decode("latin-1"))
        if scope["method"] == "GET" and scope["path"] == "/" and "token" in query:
            cookie = self._share.let_in(query["token"][0], address)
            if cookie is not None:
                answer = RedirectResponse("/", 303)
                answer.set_cookie(
                    COOKIE, cookie, max_age=int(self._share.seconds_left) + 1, httponly=True,
                    samesite="strict", path="/",
                )  # fmt: skip
                return answer
        # One answer for all: nothing is told of what is there and what was used.
        return turned_away("This needs a new code from the workbench.", 403)


class Crowd:
    """Counts what addresses ask that are not in; so many at once, and so many a second from then on."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def is_too_much(self, address: str) -> bool:
        """Whether this request is one too many of its address."""
        now = self._clock()
        left, since = self._left.pop(address, (float(limits.STRANGERS_AT_ONCE), now))
        left = min(limits.STRANGERS_AT_ONCE, left + (now - since) * limits.STRANGERS_A_SECOND)
        allowed = left >= 1
        self._left[address] = (left - 1 if allowed else left, now)
        while len(self._left) > ADDRESSES_KEPT:
            self._left.popitem(last=False)
        return not allowed
