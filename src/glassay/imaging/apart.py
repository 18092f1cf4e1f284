"""Decoding a file once in a process of its own, which a hostile one may exhaust, hang or crash.

What a file's head declares is checked before it is decoded (see `memory`). What decoders then do is not
in our hands: files exist that are small, declare little and still take hours or gigabytes. So a file
from elsewhere is decoded here first; the child has limits of memory and time, and dies alone.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import subprocess
import sys
import threading
from pathlib import Path

from glassay.errors import Unusable
from glassay.imaging.memory import decoding_limit, limit_memory

LONGEST_S = 300.0
"""How long one file may take: the largest photos that are read (400 megapixels) take half a minute on
an idle processor, and others may be at work on it."""

BESIDE_BYTES = 600_000_000
"""Memory of the child beside what decoding may take: the program, its libraries and the file itself."""

BESIDE_FILES = 2.0
"""And so many times the file's own bytes: they are read at once, and decoders keep a copy."""

ITSELF = "-c", "from glassay.imaging.apart import serve; serve()"


def check_apart(path: Path, seconds: float = LONGEST_S) -> None:
    """Decode a photo in the child process. Raises `Unusable` where it cannot be decoded, as
    `read_photo` does, or where the child died of it or took longer than `seconds`."""
    reason = _child.ask(path.resolve(), seconds)
    if reason:
        raise Unusable(reason)


class _Child:
    """The process, begun when first asked and again after a death; one file at a time."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None

    def ask(self, path: Path, seconds: float) -> str:
        with self._lock:
            process = self._running()
            late = threading.Timer(seconds, process.kill)
            late.start()
            line = b""
            try:
                assert process.stdin is not None
                assert process.stdout is not None
                process.stdin.write(json.dumps(os.fspath(path)).encode() + b"\n")
                process.stdin.flush()
                line = process.stdout.readline()
            except OSError:  # it has died already
                pass
            finally:
                is_late = not late.is_alive()
                late.cancel()
            if line.endswith(b"\n"):
                return str(json.loads(line))
            self._end()
        if is_late:
            return f"{path.name}: decoding it takes longer than {seconds:.0f} s; it is not used"
        return f"{path.name}: decoding it ended the process that tried; it is not used"

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self._end()
            self._process = subprocess.Popen(
                [sys.executable, *ITSELF], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL, env=_environment(),
            )  # fmt: skip
            atexit.register(self._end)
        return self._process

    def _end(self) -> None:
        atexit.unregister(self._end)
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
            process.wait()


def _environment() -> dict[str, str]:
    """This program's own, whatever found it here: the child must load the same code."""
    here = str(Path(__file__).parents[2])
    paths = [here, os.environ.get("PYTHONPATH", "")]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, paths))}


_child = _Child()


def serve() -> None:
    """The child: a path in each line of standard input, why it cannot be used ("" if it can) in each
    line of standard output, until the input ends."""
    from glassay.imaging.photo import read_photo

    answers = sys.stdout
    sys.stdout = sys.stderr
    for line in sys.stdin:
        path, reason = Path(json.loads(line)), ""
        with contextlib.suppress(OSError):
            extra = BESIDE_BYTES + BESIDE_FILES * path.stat().st_size
            limit_memory(int(decoding_limit() + extra))
        try:
            read_photo(path)
        except Unusable as error:
            reason = str(error)
        answers.write(json.dumps(reason) + "\n")
        answers.flush()
