"""Stand-ins for a measurement, importable by worker processes."""

from __future__ import annotations

import os
import signal
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from glassay.bench.keeping.results import MethodResult
from glassay.finding import Finding


def measure_or_die(method: str, paths: Sequence[Path], settings: Any) -> MethodResult:
    """End the process at once for a file named "die", as an exhausted memory would."""
    if paths[0].stem == "die":
        os._exit(9)
    return MethodResult(method, "measured", {"worker": Finding(os.getpid(), method)})


def measure_or_be_killed_once(method: str, paths: Sequence[Path], settings: Any) -> MethodResult:
    """Be killed in the middle of the first measurement of a file named "die", only there."""
    if paths[0].stem == "die":
        try:
            (paths[0].parent.parent / "was killed").touch(exist_ok=False)
        except FileExistsError:
            pass
        else:
            os.kill(os.getpid(), signal.SIGKILL)
    return MethodResult(method, "measured", {"worker": Finding(os.getpid(), method)})
