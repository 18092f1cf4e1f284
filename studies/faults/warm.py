"""`python -m studies.faults.warm SHIM`: a process with everything loaded, which forks one child for
each act that it is told, arms the fault in it, and says how it ended.

One JSON object a line comes in: `act`, `place`, and the fault; one goes out: `code` (negative for a
signal), `calls` (system calls that touched the place), `said` (what went to standard error).
"""

from __future__ import annotations

import ctypes
import json
import os
import signal
import sys
import tempfile
import time
import traceback
from pathlib import Path
from typing import Any

MODES = {"count": 1, "kill": 2, "full": 3, "once": 4}
KINDS = {"change": 1, "grow": 2, "look": 4, "all": 5}
STARTS_THREADS = ("run in processes", "mosaic")
"""Acts whose libraries keep threads, which no child has: they are loaded but not done beforehand."""

HANGS_S = 40.0
"""An act takes a second; what takes so long never ends."""


def main() -> None:
    """Serve until the input ends."""
    shim = ctypes.CDLL(sys.argv[1])
    _load()
    for line in sys.stdin:
        print(json.dumps(_done(shim, json.loads(line))), flush=True)


def _load() -> None:
    """Do the acts once, so that little is left to be loaded."""
    import cv2

    import glassay.cli.commands.mosaic  # noqa: F401
    from studies.faults.acts import ACTS, prepare

    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as name:
        room = Path(name) / "room"
        with open(os.devnull, "w") as nowhere:
            out, sys.stdout = sys.stdout, nowhere
            prepare(room)
            for act, (start, do) in ACTS.items():
                if act not in STARTS_THREADS:
                    os.system(f"cp -r {room / start} {room / 'work'}")
                    do(room / "work")
                    os.system(f"rm -r {room / 'work'}")
            sys.stdout = out


def _done(shim: Any, asked: dict[str, Any]) -> dict[str, Any]:
    said = tempfile.TemporaryFile()  # noqa: SIM115 - the child writes into it
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.setsid()
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        os.dup2(said.fileno(), 2)
        os._exit(_act(shim, asked, writing))
    os.close(writing)
    if asked.get("after") is not None:
        time.sleep(asked["after"])
        os.kill(child, signal.SIGKILL)
    began, hung = time.monotonic(), False
    while True:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            break
        if time.monotonic() - began > HANGS_S:
            hung = True
            os.killpg(child, signal.SIGKILL)
        time.sleep(0.002)
    with os.fdopen(reading) as pipe:
        calls = pipe.read()
    said.seek(0)
    return {"code": os.waitstatus_to_exitcode(status), "calls": int(calls or 0), "hung": hung,
            "said": said.read().decode("utf-8", "replace")[-4000:]}  # fmt: skip


def _act(shim: Any, asked: dict[str, Any], writing: int) -> int:
    from studies.faults.acts import ACTS

    place = Path(asked["place"])
    mode, kind = MODES[asked.get("mode", "count")], KINDS[asked.get("kind", "change")]
    shim.arm(str(place).encode(), mode, kind, asked.get("nth", 0), asked.get("error", 0))
    if "jump_s" in asked:
        shim.arm_clock(ctypes.c_long(asked["jump_at"]), ctypes.c_long(asked["jump_s"]))
    try:
        code = ACTS[asked["act"]][1](place)
    except BaseException:
        traceback.print_exc()
        code = 99
    calls = shim.clock_asked() if "jump_s" in asked else shim.counted()
    os.write(writing, str(calls).encode())
    sys.stderr.flush()
    return code


if __name__ == "__main__":
    main()
