"""What stands before every request: who asks, from where, how much they send; and strict headers.

The workbench reads and writes a person's own files, so no other program's page may reach it. It
answers only requests addressed to a loopback name (which stops DNS rebinding), that carry the
token printed at its start (as a cookie, or as `Authorization: Bearer` from scripts), and writes
only for its own pages' `Origin`.
"""

from __future__ import annotations

import hmac
from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from glassay.web import limits

LOOPBACK_NAMES = ("127.0.0.1", "localhost", "[::1]")

VIEWER_STYLE = "'sha256-9xTiqzfwFaL2SGb1rmr8gysEwVVjIvqWAgmZgqFqpEE='"
"""The one rule that the viewer library writes into a page (no outline on touch screens)."""

POLICY = "; ".join((
    "default-src 'none'", "script-src 'self'", f"style-src 'self' {VIEWER_STYLE}",
    "img-src 'self' blob: data:", "media-src 'self' blob:", "connect-src 'self'",
    "form-action 'self'", "base-uri 'none'",
    "frame-ancestors 'none'",
))  # fmt: skip
"""Content security policy: nothing from elsewhere, no script within a page, no style but one."""

HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # "no-referrer" would turn the Origin of the workbench's own forms into "null".
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), microphone=(), geolocation=()",
}

SAFE_METHODS = ("GET", "HEAD")

BODY_LIMITS = {
    "/upload": limits.MAX_UPLOAD_BYTES,
    "/live/frame": limits.MAX_FRAME_BYTES,
    "/live/photo": limits.MAX_UPLOAD_BYTES,
    "/live/recording": limits.MAX_CLIP_CHUNK_BYTES,
}
"""Largest request by path; all others may hold `limits.MAX_FORM_BYTES`."""


class TooLarge(HTTPException):
    """The request's body is larger than its path allows."""

    def __init__(self) -> None:
        super().__init__(413, "This is more than the workbench takes at once.")


class Guard:
    """ASGI middleware around the whole application."""

    def __init__(self, app: ASGIApp, token: str, names: Iterable[str] = LOOPBACK_NAMES) -> None:
        self._app = app
        self._token = token
        self._names = tuple(names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return  # no other protocol is spoken
        headers = Headers(scope=scope)
        sent = False

        async def send_strictly(message: Message) -> None:
            nonlocal sent
            if message["type"] == "http.response.start":
                sent = True
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out[name] = value
                out.setdefault("cache-control", "no-store")
            await send(message)

        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, send_strictly)
            return
        try:
            await self._app(scope, _counted(scope, receive), send_strictly)
        except TooLarge:
            if not sent:
                answer = PlainTextResponse("This is more than the workbench takes at once.", 413)
                await answer(scope, receive, send_strictly)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        if not _is_loopback(headers.get("host", ""), self._names):
            return PlainTextResponse("The workbench answers on the loopback address only.", 421)
        if _length(headers) > _limit(scope):
            return PlainTextResponse("This is more than the workbench takes at once.", 413)
        method = scope["method"]
        if method not in (*SAFE_METHODS, "POST", "DELETE"):
            return PlainTextResponse("Not allowed.", 405)
        by_script = self._is_token(_bearer(headers))
        own = f"http://{headers.get('host', '')}"
        if method not in SAFE_METHODS and not by_script and headers.get("origin") != own:
            return PlainTextResponse("Only the workbench's own pages may write.", 403)
        site = headers.get("sec-fetch-site", "none")
        moves = headers.get("sec-fetch-mode") == "navigate" and method in SAFE_METHODS
        if site not in ("same-origin", "none") and not moves:
            return PlainTextResponse("Only the workbench's own pages may ask.", 403)
        return None if by_script else self._without_token(scope, headers)

    def _without_token(self, scope: Scope, headers: Headers) -> Response | None:
        query = parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True)
        given = [value for key, value in query if key == "token"]
        if given and scope["method"] == "GET" and self._is_token(given[0]):
            rest = urlencode([(key, value) for key, value in query if key != "token"])
            path = "/" + scope["path"].lstrip("/")  # "//elsewhere" would lead away
            answer = RedirectResponse(f"{path}?{rest}" if rest else path, 303)
            answer.set_cookie(
                cookie_name(headers.get("host", "")), self._token, httponly=True,
                samesite="strict", path="/",
            )  # fmt: skip
            return answer
        if self._is_token(_cookie(headers)):
            return None
        return PlainTextResponse(
            "This page needs the address that `glassay open` printed, with its token.", 403
        )

    def _is_token(self, text: str) -> bool:
        return hmac.compare_digest(text.encode(), self._token.encode())


def cookie_name(host: str) -> str:
    """Name of the token's cookie; cookies know no ports, so that two workbenches need two."""
    return "glassay-" + host.rpartition(":")[2]


def _is_loopback(host: str, names: Iterable[str]) -> bool:
    name, colon, port = host.rpartition(":")
    if not colon or not port.isdigit():
        name = host
    return name.lower() in names


def _bearer(headers: Headers) -> str:
    scheme, _, token = headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" else ""


def _cookie(headers: Headers) -> str:
    try:
        jar = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return ""
    morsel = jar.get(cookie_name(headers.get("host", "")))
    return morsel.value if morsel else ""


def _length(headers: Headers) -> int:
    text = headers.get("content-length", "0")
    return int(text) if text.isdigit() else 0


def _limit(scope: Scope) -> int:
    return BODY_LIMITS.get(scope["path"], limits.MAX_FORM_BYTES)


def _counted(scope: Scope, receive: Receive) -> Receive:
    """The same stream, ended by `TooLarge`: a stated length may be missing or untrue."""
    most, seen = _limit(scope), 0

    async def counting() -> Message:
        nonlocal seen
        message = await receive()
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            if seen > most:
                raise TooLarge()
        return message

    return counting
