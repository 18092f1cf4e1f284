"""What stands before every request: who asks, from where, how much they send; and strict headers.

The workbench reads and writes a person's own files, so no other program's page may reach it. It
answers only requests addressed to a loopback name and its own port (which stops DNS rebinding), from
a browser that came by the printed address, which lets in once, or from a script with its key; and it
writes only for its own pages' `Origin`. The browser's cookie is sent to other ports of this computer
as well: it is named after the port, kept from scripts and from other sites, and of no use as a key.
"""

from __future__ import annotations

from collections.abc import Iterable
from urllib.parse import parse_qsl, urlencode

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from glassay.web import limits
from glassay.web.answering import answered, turned_away
from glassay.web.bodies import TOO_MUCH, counted, says_too_much
from glassay.web.keys import Keys, cookies_of

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


class Guard:
    """ASGI middleware around the whole application."""

    def __init__(self, app: ASGIApp, keys: Keys, names: Iterable[str] = LOOPBACK_NAMES) -> None:
        self._app = app
        self._keys = keys
        self._names = tuple(names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return  # no other protocol is spoken
        refusal = self._refusal(scope, Headers(scope=scope))
        await answered(self._app, scope, counted(scope, receive), send, HEADERS, refusal)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        if not _is_here(headers.get("host", ""), self._names, scope):
            return PlainTextResponse("The workbench answers on the loopback address only.", 421)
        if says_too_much(scope, headers):
            return PlainTextResponse(TOO_MUCH, 413)
        method = scope["method"]
        if method not in (*SAFE_METHODS, "POST", "DELETE"):
            return PlainTextResponse("Not allowed.", 405)
        if self._keys.is_script_key(_bearer(headers)):
            scope.setdefault("state", {})["browser"] = "script"
            return None
        own = f"http://{headers.get('host', '')}"
        if method not in SAFE_METHODS and headers.get("origin") != own:
            return PlainTextResponse("Only the workbench's own pages may write.", 403)
        site = headers.get("sec-fetch-site", "none")
        moves = headers.get("sec-fetch-mode") == "navigate" and method in SAFE_METHODS
        if site not in ("same-origin", "none") and not moves:
            return PlainTextResponse("Only the workbench's own pages may ask.", 403)
        return self._of_browser(scope, headers)

    def _of_browser(self, scope: Scope, headers: Headers) -> Response | None:
        name = cookie_name(headers.get("host", ""))
        query = parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True)
        given = [value for key, value in query if key == "token"]
        known = next(filter(None, map(self._keys.browser, cookies_of(
            headers.get("cookie", ""), name))), None)  # fmt: skip
        if given and scope["method"] == "GET":
            cookie = self._keys.spend(given[0])
            if cookie is not None or known is not None:  # one's own address again leads in as well
                return _way_in(scope, query, name, cookie)
        if known is not None:
            scope.setdefault("state", {})["browser"] = known
            return None
        if given and self._keys.was_spent(given[0]):
            return turned_away(
                "This address has let a browser in already, and does so once. A browser that is in"
                " gives another one (at the foot of its pages); so does `glassay open`.", 403,
            )  # fmt: skip
        return turned_away("This page needs the address that `glassay open` printed.", 403)


def _way_in(
    scope: Scope, query: list[tuple[str, str]], name: str, cookie: str | None
) -> RedirectResponse:
    rest = urlencode([(key, value) for key, value in query if key != "token"])
    path = "/" + scope["path"].lstrip("/")  # "//elsewhere" would lead away
    answer = RedirectResponse(f"{path}?{rest}" if rest else path, 303)
    if cookie is not None:
        answer.set_cookie(
            name, cookie, max_age=limits.COOKIE_S, httponly=True, samesite="strict", path="/"
        )
    return answer


def cookie_name(host: str) -> str:
    """Name of a browser's cookie; cookies know no ports, so that two workbenches need two."""
    return "glassay-" + host.rpartition(":")[2]


def _is_here(host: str, names: Iterable[str], scope: Scope) -> bool:
    """Whether the request was addressed to this computer, and to the port that it came in by."""
    name, colon, port = host.rpartition(":")
    if not colon or not port.isdigit():
        name, port = host, "80"  # what a Host without a port means
    server = scope.get("server") or (None, None)
    return name.lower() in names and port == str(server[1])


def _bearer(headers: Headers) -> str:
    scheme, _, key = headers.get("authorization", "").partition(" ")
    return key.strip() if scheme.lower() == "bearer" else ""
