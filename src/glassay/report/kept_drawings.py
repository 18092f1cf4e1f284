"""What was drawn for a page before, kept beside a bench's results while it would come out the same.

One file for each drawing under `results/drawn/`, named by everything that it was made of, among it the
program's own source. Deleting the folder loses nothing; a file that is damaged, or that would have a
page ask for something outside, counts as absent. Where the folder cannot be written, nothing is kept.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

import glassay
from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.store import (
    DAMAGED,
    DRAWN_FOLDER,
    UNKNOWN,
    Store,
    checksum_after,
    with_checksum,
)
from glassay.disk import refuse_links, write_atomically
from glassay.errors import Unusable
from glassay.report import curves, drawing

DRAWN = b', "drawn": '
"""After which what was drawn stands in its file."""

T = TypeVar("T")

KINDS: dict[str, type] = {
    one.__name__: one
    for one in (
        drawing.CaptureFigures, drawing.Figure, drawing.Still, drawing.Overlay, drawing.Strip,
        drawing.OverTime, curves.Chart, curves.Curve,
    )
}  # fmt: skip
"""All that a drawing is described with; nothing else is made of a file."""


class KeptDrawings:
    """The drawings kept in one bench's `folder` of results; none where it is only to be read."""

    def __init__(self, folder: Path, only_read: bool = False) -> None:
        self._folder: Path | None = folder / DRAWN_FOLDER
        self._used: set[str] = set()
        self._store = Store(folder)
        if only_read:
            self._folder = None
            return
        try:
            refuse_links(self._folder, folder.parent)
            self._folder.mkdir(exist_ok=True)
        except (OSError, Unusable):
            self._folder = None

    def contents(self, paths: Sequence[Path]) -> tuple[str, ...]:
        """What photos hold, for `made_of`. Raises `Unusable` when one cannot be read."""
        return self._store.contents(paths)

    def once(
        self, made_of: Any, make: Callable[[], T], lasting: Callable[[T], bool] = lambda _: True
    ) -> T:
        """What `make` gives, as it was kept if it is `made_of` the same (plain data) as then.

        It may be None, text, numbers, tuples of such, and what drawings are described with. What is
        not `lasting` is not kept.
        """
        if self._folder is None:
            return make()
        text = json.dumps([_program(), to_plain(made_of)], sort_keys=True)
        key = hashlib.sha256(text.encode()).hexdigest()[:40]
        path = self._folder / f"{key}.json"
        self._used.add(path.name)
        with contextlib.suppress(*DAMAGED):
            kept_text = path.read_bytes()
            data = json.loads(kept_text)
            if data["checksum"] == checksum_after(DRAWN, kept_text):
                kept: T = _read(data["drawn"])
                return kept
        made = make()
        if not lasting(made):
            return made
        drawn = _written(made)
        whole = json.dumps({"checksum": UNKNOWN, "drawn": drawn}, allow_nan=True)
        with contextlib.suppress(OSError, Unusable):
            write_atomically(path, with_checksum(DRAWN, whole))
        return made

    def forget_others(self) -> None:
        """Remove what was not asked for since this began: it belongs to earlier states."""
        with contextlib.suppress(OSError):
            for path in self._folder.iterdir() if self._folder is not None else ():
                if path.name not in self._used:
                    path.unlink(missing_ok=True)


@cache
def _program() -> str:
    """A mark of the program's source as it lies on disk: other source may draw otherwise."""
    stamps = []
    for path in sorted(Path(glassay.__file__).parent.rglob("*.py")):
        stat = path.stat()
        stamps.append([str(path), stat.st_size, stat.st_mtime_ns])
    return hashlib.sha256(json.dumps([glassay.__version__, stamps]).encode()).hexdigest()


def _written(value: Any) -> Any:
    """The value as JSON that `_read` makes the same value of."""
    if is_dataclass(value) and not isinstance(value, type):
        parts = {one.name: _written(getattr(value, one.name)) for one in fields(value)}
        return {"kind": type(value).__name__, **parts}
    if isinstance(value, np.ndarray):
        return {"kind": "array", "values": value.tolist()}
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, list | tuple):
        return [_written(one) for one in value]
    if value is None or isinstance(value, str | bool | int | float):
        return value
    raise TypeError(f"a {type(value).__name__} is no part of a drawing")


def _read(data: Any) -> Any:
    if isinstance(data, list):
        return tuple(_read(one) for one in data)
    if isinstance(data, dict):
        if data["kind"] == "array":
            return np.asarray(data["values"], dtype=np.float64)
        kind = KINDS[data["kind"]]
        value = kind(**{key: _read(one) for key, one in data.items() if key != "kind"})
        if getattr(value, "source", "") and not value.source.startswith("data:image/"):
            raise ValueError("a picture from elsewhere")
        return value
    return data
