"""Earlier states of `bench.toml`, so that a change made on a page can be taken back."""

from __future__ import annotations

import contextlib
import json
import time
from dataclasses import dataclass
from pathlib import Path

from glassay.bench.document.edit import Conflict, write_text
from glassay.bench.document.read import read_document
from glassay.disk import refuse_links, write_atomically
from glassay.errors import Unusable
from glassay.one_writer import one_writer
from glassay.web import limits
from glassay.web.workbench import text_hash


@dataclass(frozen=True)
class Change:
    """One change: what it was, the text before it, and by which hash the text after it is known."""

    what: str
    before: str
    after_hash: str


class History:
    """The changes made on pages, in `results/history/`, the last one first to go back to."""

    def __init__(self, bench_folder: Path) -> None:
        self._bench = bench_folder
        self._folder = refuse_links(bench_folder / "results" / "history", bench_folder)

    def remember(self, before: str, after: str, what: str) -> None:
        """Keep the state before a change. Called by who holds the bench's folder (`one_writer`)."""
        data = {"what": what, "before": before, "after_hash": text_hash(after)}
        write_atomically(self._folder / f"{time.time_ns()}.json", json.dumps(data).encode())
        for old in self._files()[: -limits.HISTORY_KEPT]:
            with contextlib.suppress(OSError):
                old.unlink()

    def last(self) -> Change | None:
        """The change that can be taken back now; None once the file was changed otherwise."""
        for path in self._files()[-1:]:
            with contextlib.suppress(OSError, ValueError, KeyError):
                data = json.loads(path.read_bytes())
                change = Change(data["what"], data["before"], data["after_hash"])
                if text_hash(read_document(self._bench)) == change.after_hash:
                    return change
        return None

    def undo(self, after_hash: str) -> str:
        """Take back the change that was offered, and say which. Raises `Unusable` when there is none,
        and `Conflict` when the last change is another one by now."""
        with one_writer(self._bench):
            change = self.last()
            if change is None:
                raise Unusable(
                    "there is nothing to undo: bench.toml was not changed here, or was changed since"
                )
            if change.after_hash != after_hash:
                raise Conflict(
                    f"the last change is another one by now ({change.what}); nothing is undone yet"
                )
            write_text(self._bench, read_document(self._bench), change.before)
            self._files()[-1].unlink(missing_ok=True)
        return change.what

    def _files(self) -> list[Path]:
        return sorted(self._folder.glob("*.json")) if self._folder.is_dir() else []
