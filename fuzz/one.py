"""`python -m fuzz.one READER FOLDER SECONDS`: one reader under the coverage-guided fuzzer.

A find is written down and the fuzzing goes on; what ends the process itself (a crash in a decoder's
own code, too much memory) is written down by the fuzzer's library, and `fuzz` begins again.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import signal
import struct
import sys
import tempfile
import time
import traceback
from pathlib import Path
from types import FrameType

import atheris  # type: ignore[import-not-found]

with atheris.instrument_imports(
    include=["glassay", "tifffile", "PIL", "pillow_heif", "tomllib", "tomlkit", "zipfile", "json"],
    enable_loader_override=False,
):
    from fuzz.readers import READERS, read

SLOW_S = 5
"""An input that takes longer is a find: the longest of them has 30 kB and 0.25 megapixels."""
MEMORY_MB = 3000


class TooSlow(Exception):
    """Reading took longer than `SLOW_S`."""


def _too_slow(number: int, frame: FrameType | None) -> None:
    raise TooSlow


def main() -> None:
    """Fuzz until the time is over."""
    name, folder, seconds = sys.argv[1], Path(sys.argv[2]), float(sys.argv[3])
    finds, count = folder / "finds", folder / f"count-{os.getpid()}"
    finds.mkdir(exist_ok=True)
    room = Path(tempfile.mkdtemp(dir=folder))
    signal.signal(signal.SIGALRM, _too_slow)
    done, told = 0, time.monotonic()

    def once(data: bytes) -> None:
        nonlocal done, told
        done += 1
        if time.monotonic() - told > 1:
            told = time.monotonic()
            count.write_bytes(struct.pack("<Q", done))
        try:
            signal.setitimer(signal.ITIMER_REAL, SLOW_S)
            read(name, data, room)
        except (Exception, TooSlow) as error:
            _note(finds, data, error)
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)

    words = [
        sys.argv[0], f"-max_total_time={seconds:.0f}", f"-max_len={READERS[name].longest}",
        f"-rss_limit_mb={MEMORY_MB}", "-timeout=0", f"-artifact_prefix={finds}/",
        "-print_final_stats=1", str(folder / "corpus"),
    ]  # fmt: skip
    atheris.Setup(words, once)
    try:
        atheris.Fuzz()
    finally:
        count.write_bytes(struct.pack("<Q", done))


def _note(finds: Path, data: bytes, error: BaseException) -> None:
    """Keep the first, or the shortest, input for each place in the code where something went wrong."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [f"{f.filename}:{f.lineno}" for f in frames if "glassay" in f.filename]
    place = (
        f"{type(error).__name__} {own[-1] if own else ''} {frames[-1].filename}:{frames[-1].lineno}"
    )
    path = finds / hashlib.sha256(place.encode()).hexdigest()[:12]
    with contextlib.suppress(FileNotFoundError):
        if path.stat().st_size <= len(data):
            return
    path.write_bytes(data)
    told = "".join(traceback.format_exception(error))
    path.with_suffix(".txt").write_text(f"{place}\n{told}")


if __name__ == "__main__":
    main()
