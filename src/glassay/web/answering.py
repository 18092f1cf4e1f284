"""Answers that keep to strict headers, and one line where an application cannot answer itself."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from glassay.web.troubles import tell_fault


def turned_away(words: str, status: int) -> Response:
    """A page of one sentence for a person who cannot come in, in letters that a phone shows large
    enough, in light and in dark."""
    return HTMLResponse(
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark"><title>Not here</title>'
        f"<main><h1>Not here</h1><p>{escape(words)}</p></main></html>", status,
    )  # fmt: skip


async def answered(
    app: ASGIApp, scope: Scope, receive: Receive, send: Send, headers: Mapping[str, str],
    refusal: Response | None,
) -> None:  # fmt: skip
    """Hand a request on to `app` unless it is refused; every answer carries `headers`."""
    sent = False

    async def send_strictly(message: Message) -> None:
        nonlocal sent
        if message["type"] == "http.response.start":
            sent = True
            out = MutableHeaders(scope=message)
            for name, value in headers.items():
                out[name] = value
            out.setdefault("cache-control", "no-store")
        await send(message)

    answer = refusal
    if answer is None:
        answer = await _own_or_one_line(app, scope, receive, send_strictly)
    if answer is not None and not sent:
        await answer(scope, receive, send_strictly)


async def _own_or_one_line(
    app: ASGIApp, scope: Scope, receive: Receive, send: Send
) -> Response | None:
    try:
        await app(scope, receive, send)
    except HTTPException as error:  # too large, or stalled
        return PlainTextResponse(error.detail, error.status_code)
    except ClientDisconnect:  # an upload that was broken off: nobody waits for an answer
        return None
    except Exception as error:
        return PlainTextResponse(tell_fault(error), 500)
    return None
