"""Looking at large photos beside what a person does: decoding one whole takes a second."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from pathlib import Path

AT_ONCE = 2
"""Photos decoded at the same time; more would only take memory."""


class Looks:
    """Looks under way, by the file that is looked at."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="look")
        self._pending: dict[Path, Future[object]] = {}

    def begin(self, path: Path, look: Callable[[], object]) -> None:
        """Look at a file, soon."""
        future = self._pool.submit(look)
        self._pending[path] = future
        future.add_done_callback(lambda _: self._pending.pop(path, None))

    def wait_for(self, folder: Path, seconds: float) -> None:
        """Until what lies in a folder is looked at, at most so long."""
        found: Iterable[Future[object]] = [
            future for path, future in list(self._pending.items()) if path.is_relative_to(folder)
        ]
        wait(found, seconds)

    def stop(self) -> None:
        """Begin none any more; one that is under way ends by itself."""
        self._pool.shutdown(wait=False, cancel_futures=True)
