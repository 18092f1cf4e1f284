"""One writer at a time in a folder, between threads and between programs.

Reading, changing and writing a file are three steps; whoever does them takes the folder first, so that
nobody else's change falls between. Among programs a lock on a small hidden file says so, which the
system lets go when a program ends, however it ends. Nothing is ever written into that file. On a file
system without locks (some network shares) only the threads of one program take turns.
"""

from __future__ import annotations

import errno
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from glassay.errors import Unusable

WAIT_S = 30.0
"""How long a writer waits for the one before: a change of a few texts takes well below a second."""
LOOK_S = 0.02
"""How often a lock that another program holds is asked for; its let-go cannot be waited for."""


HELD = (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
"""What systems say of a lock that another program holds."""


@dataclass
class _Turn:
    """Whose turn it is among the threads of this program, and the lock held meanwhile."""

    threads: threading.RLock = field(default_factory=threading.RLock)
    depth: int = 0
    handle: int = -1


_turns: dict[Path, _Turn] = {}
_all_turns = threading.Lock()


@contextmanager
def one_writer(folder: Path, what: str = "writing", wait_s: float = WAIT_S) -> Iterator[None]:
    """Hold `folder` for oneself; who holds it already may take it again.

    `what` names independent kinds of work in one folder. Raises `Unusable` when another writer has
    not finished after `wait_s` seconds, or the folder cannot be written.
    """
    path = folder.resolve() / f".{what}.lock"
    with _all_turns:
        turn = _turns.setdefault(path, _Turn())
    until = time.monotonic() + wait_s
    if not turn.threads.acquire(timeout=wait_s):
        raise _busy(folder)
    try:
        if turn.depth == 0:
            turn.handle = _open(path)
            _take(turn.handle, folder, until)
        turn.depth += 1
        try:
            yield
        finally:
            turn.depth -= 1
            if turn.depth == 0:
                os.close(turn.handle)  # lets the lock go as well
    finally:
        turn.threads.release()


def _busy(folder: Path) -> Unusable:
    return Unusable(f"{folder} is being written by another program; try again in a moment")


def _open(path: Path) -> int:
    try:  # a link in its place would lead the lock elsewhere
        return os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o644)
    except OSError as error:
        raise Unusable(f"{path.parent} cannot be written ({error.strerror})") from None


def _take(handle: int, folder: Path, until: float) -> None:
    while True:
        try:
            _lock(handle)
            return
        except OSError as error:
            if error.errno not in HELD:
                return  # a file system that knows no locks: only threads take turns
            if time.monotonic() > until:
                os.close(handle)
                raise _busy(folder) from None
        time.sleep(LOOK_S)


def _lock_of_this_system() -> Callable[[int], None]:
    if sys.platform == "win32":
        import msvcrt

        return lambda handle: msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    import fcntl

    return lambda handle: fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


_lock = _lock_of_this_system()
