"""What comes in: at most so much of it, and never waited for without end."""

from __future__ import annotations

import asyncio

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.types import Message, Receive, Scope

from glassay.web import limits

BODY_LIMITS = {
    "/upload": limits.MAX_UPLOAD_BYTES,
    "/upload/file": limits.MAX_UPLOAD_BYTES,
    "/live/frame": limits.MAX_FRAME_BYTES,
    "/live/photo": limits.MAX_UPLOAD_BYTES,
    "/live/recording": limits.MAX_CLIP_CHUNK_BYTES,
}
"""Largest request by path; all others may hold `limits.MAX_FORM_BYTES`."""

TOO_MUCH = "This is more than the workbench takes at once."


class TooLarge(HTTPException):
    """The request's body is larger than its path allows."""

    def __init__(self) -> None:
        super().__init__(413, TOO_MUCH)


class Stalled(HTTPException):
    """The request was begun, and its rest did not come."""

    def __init__(self) -> None:
        super().__init__(408, "The rest of this request did not come; please try again.")


def says_too_much(scope: Scope, headers: Headers, most: int | None = None) -> bool:
    """Whether the length that the request states is more than `most`, or than its path allows."""
    text = headers.get("content-length", "0")
    return not (text.isascii() and text.isdigit()) or int(text[:20]) > (most or _limit(scope))


def _limit(scope: Scope) -> int:
    return BODY_LIMITS.get(scope["path"], limits.MAX_FORM_BYTES)


def counted(scope: Scope, receive: Receive, limit: int | None = None) -> Receive:
    """The same stream, ended by `TooLarge` (a stated length may be missing or untrue) or `Stalled`."""
    most, seen, whole = limit or _limit(scope), 0, False

    async def counting() -> Message:
        nonlocal seen, whole
        if whole:  # what comes now is only that the browser is gone: pages that tell of a run wait
            return await receive()
        try:
            message = await asyncio.wait_for(receive(), limits.STALLED_S)
        except TimeoutError:
            raise Stalled() from None
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            whole = not message.get("more_body", False)
            if seen > most:
                raise TooLarge()
        return message

    return counting
