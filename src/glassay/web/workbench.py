"""The bench behind the pages: read again whenever its files changed, kept in memory otherwise."""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from glassay.bench.document.chip_mosaics import MOSAICS, mosaic_of
from glassay.bench.document.model import Bench, Capture
from glassay.bench.document.read import FILE_NAME, parse_bench, read_document
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import read_results
from glassay.errors import Unusable
from glassay.mosaic_files import NUMBERS

T = TypeVar("T")


def text_hash(text: str) -> str:
    """By which a state of `bench.toml` is recognised."""
    return hashlib.sha256(text.encode()).hexdigest()


class Workbench:
    """One bench folder, safe to use from several threads."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self._lock = threading.Lock()
        self._signature: object = None
        self._results: BenchResults | None = None
        self._derived: dict[str, Any] = {}

    @property
    def has_bench(self) -> bool:
        """Whether there is a `bench.toml` at all."""
        return (self.folder / FILE_NAME).is_file()

    def text(self) -> str:
        """`bench.toml` as it stands. Raises `Unusable`."""
        return read_document(self.folder)

    def bench(self) -> Bench:
        """The bench, checked. Raises `Unusable` (`BenchMistakes` with every mistake)."""
        return self.results().bench

    def results(self) -> BenchResults:
        """What the kept results say, measuring nothing. Raises as `bench`."""
        with self._lock:
            before = self._look()
            if self._results is None or before != self._signature:
                bench = parse_bench(self.text(), self.folder, without_missing=True)
                self._results = read_results(bench)
                self._derived = {}
                after = self._look()
                # What changed while it was read is read again the next time.
                self._signature = after if before[:3] == after[:3] else None
            return self._results

    def derived(self, name: str, make: Callable[[BenchResults], T]) -> T:
        """What `make` makes of the present results, kept under `name` until they change."""
        results = self.results()
        kept = self._derived  # another thread may replace it meanwhile
        if name not in kept:
            kept[name] = make(results)
        found: T = kept[name]
        return found

    def _look(self) -> tuple[object, ...]:
        """A value that changes when `bench.toml`, a capture or a result does."""
        toml, measured = self.folder / FILE_NAME, self.folder / "results" / "measured"
        captures = []
        if self._results is not None:
            bench = self._results.bench
            for capture in (*bench.captures, *(one.capture for one in bench.missing)):
                captures += [_stamp(path) for path in bench.paths(capture)]
        # While a run writes results, the folder's time stamp can be too coarse to tell them apart.
        count = len(os.listdir(measured)) if measured.is_dir() else 0
        return _stamp(toml), _stamp(measured), count, captures or None

    def capture(self, capture_id: str) -> Capture:
        """The capture with this id. Raises `Unusable` when there is none."""
        for capture in self.bench().captures:
            if capture.id == capture_id:
                return capture
        raise Unusable(f"there is no capture {capture_id!r} on this bench")

    def picture_file(self, picture_id: str) -> Path:
        """The first file of the capture with this id, or the numbers of the mosaic of this name.

        Raises `Unusable` when there is none, or it leads out of the bench folder."""
        chip = picture_id.removeprefix(f"{MOSAICS}/")
        mosaic = None if chip == picture_id else mosaic_of(self.folder, chip)
        if mosaic is not None:
            return (mosaic / NUMBERS).resolve()
        return self.files_of(self.capture(picture_id))[0]

    def files_of(self, capture: Capture) -> tuple[Path, ...]:
        """The capture's files. Raises `Unusable` when one leads out of the bench folder."""
        bench = self.bench()
        return tuple(bench.shown_path(name).resolve() for name in capture.files)


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_size, stat.st_mtime_ns
