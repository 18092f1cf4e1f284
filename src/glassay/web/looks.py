"""Looking at large photos beside what a person does: decoding one whole takes a second."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from pathlib import Path

AT_ONCE = 2
"""Photos decoded at the same time; more would only take memory."""
QUIET_S = 1.0
"""How long no file may have come before one is looked at whole, unless somebody waits for it: files
that still come are shown small first. The next of a batch comes within this on a busy machine."""


class Looks:
    """Looks under way, by the file that is looked at."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="look")
        self._pending: dict[Path, Future[object]] = {}
        self._came = 0.0
        self._now = threading.Event()
        self._ended = False

    def begin(self, path: Path, look: Callable[[], object]) -> None:
        """Look at a file that has just come, as soon as no more do or somebody waits."""
        self._came = time.monotonic()
        self._now.clear()
        future = self._pool.submit(self._in_turn, look)
        self._pending[path] = future
        future.add_done_callback(lambda _: self._pending.pop(path, None))

    def _in_turn(self, look: Callable[[], object]) -> object:
        while (rest := self._came + QUIET_S - time.monotonic()) > 0 and not self._now.wait(rest):
            pass
        return None if self._ended else look()

    def wait_for(self, folder: Path, seconds: float) -> None:
        """Until what lies in a folder is looked at, at most so long; where more lies there than is
        looked at at once, it is only begun."""
        found = [
            future for path, future in list(self._pending.items()) if path.is_relative_to(folder)
        ]
        self._now.set()
        if len(found) <= AT_ONCE:
            wait(found, seconds)

    def stop(self) -> None:
        """Begin none any more; one that is under way ends by itself."""
        self._ended = True
        self._now.set()
        self._pool.shutdown(wait=False, cancel_futures=True)
