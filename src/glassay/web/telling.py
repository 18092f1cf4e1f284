"""Telling a page how something stands, as it goes (server-sent events)."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from typing import Any

from fastapi import Request
from fastapi.responses import StreamingResponse

LOOK_S = 0.2
"""How often a page that watches is told, when there is news."""


def told_until_it_ends(request: Request, state: Callable[[], dict[str, Any]]) -> StreamingResponse:
    """Each new state, until its "word" is no longer "running" or the page goes."""

    async def told() -> AsyncIterator[str]:
        before = ""
        while not await request.is_disconnected():
            now = state()
            text = json.dumps(now)
            if text != before:
                yield f"data: {text}\n\n"
            if now["word"] != "running":
                return
            before = text
            await asyncio.sleep(LOOK_S)

    return StreamingResponse(told(), media_type="text/event-stream")
