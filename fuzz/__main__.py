"""`python -m fuzz [READER ...] [--minutes 10] [--keep FOLDER]`: fuzz the readers, one after the other.

Exit status 1 when anything was found, now or before: finds stay until they are taken away. With
--keep the evolved inputs stay, and the next time begins with them.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import struct
import subprocess
import sys
import time
from pathlib import Path

from fuzz.readers import READERS
from fuzz.seeds.make import seeds_of

CORPUS = Path(__file__).parent.parent / "tests" / "data" / "corpus"
MOST_CRASHES = 20
"""So often is a reader begun again whose process died."""
HANGS_S = 120
"""Beyond its time, loading included, a process is hanging where no signal reaches it."""


def main() -> None:
    """Fuzz and tell."""
    parser = argparse.ArgumentParser(prog="python -m fuzz", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="READER", help=", ".join(READERS))
    parser.add_argument("--minutes", type=float, default=10.0, help="for all of them together")
    parser.add_argument("--keep", type=Path, default=Path("build/fuzz"), metavar="FOLDER")
    options = parser.parse_args()
    unknown = set(options.names) - set(READERS)
    if unknown:
        parser.error(f"no reader is called {', '.join(sorted(unknown))}")
    names = options.names or list(READERS)
    total, found = 0, 0
    for name in names:
        inputs, finds = _fuzz(name, options.keep / name, 60 * options.minutes / len(names))
        total, found = total + inputs, found + len(finds)
        print(f"{name:10} {inputs:10,} inputs, {len(finds)} found", flush=True)
        for path in finds:
            told = path.with_suffix(".txt")
            place = told.read_text().splitlines()[0] if told.exists() else "the process died"
            print(f"    {path}: {place}")
    print(f"{'all':10} {total:10,} inputs, {found} found")
    sys.exit(1 if found else 0)


def _fuzz(name: str, folder: Path, seconds: float) -> tuple[int, list[Path]]:
    corpus, finds = folder / "corpus", folder / "finds"
    for one in (corpus, finds):
        one.mkdir(parents=True, exist_ok=True)
    known = [path.read_bytes() for path in sorted((CORPUS / name).glob("*"))]
    for data in (*seeds_of(name), *known):
        (corpus / hashlib.sha1(data, usedforsecurity=False).hexdigest()).write_bytes(data)
    for old in folder.glob("count-*"):
        old.unlink()
    until, crashes = time.monotonic() + seconds, 0
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with (folder / "log").open("wb") as log:
        while (left := until - time.monotonic()) > 1 and crashes < MOST_CRASHES:
            words = [sys.executable, "-m", "fuzz.one", name, str(folder), f"{left:.0f}"]
            child = subprocess.Popen(words, stdout=log, stderr=log, env=environment)
            try:
                crashes += child.wait(left + HANGS_S) != 0
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()
                (finds / f"hung-{child.pid}.txt").write_text("hung in a decoder's own code\n")
    counts = (struct.unpack("<Q", path.read_bytes())[0] for path in folder.glob("count-*"))
    inputs = (path for path in finds.iterdir() if path.suffix != ".txt" or "hung" in path.name)
    return sum(counts), sorted(inputs)


if __name__ == "__main__":
    main()
