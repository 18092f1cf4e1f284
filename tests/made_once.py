"""What takes seconds to make is made once for all test processes: the first that asks makes it."""

from __future__ import annotations

import fcntl
from collections.abc import Callable
from pathlib import Path

SHARED: list[Path] = []
"""The folder of one run of the tests, as `tests.conftest` sets it."""


def made_once(name: str, make: Callable[[Path], object]) -> Path:
    """The folder of that name, filled by `make`; for reading and copying only.

    Processes that ask while it is made wait for it. Where making it fails, the next one tries anew.
    """
    folder = SHARED[0] / name
    folder.parent.mkdir(parents=True, exist_ok=True)
    with folder.with_name(f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            beside = folder.with_name(f"{name}-{len(list(folder.parent.iterdir()))}")
            beside.mkdir()
            make(beside)
            beside.rename(folder)
    return folder
