"""Results on disk, keyed by what they depend on: content, settings that matter, method version.

One file for each result, under `results/measured/`. Nothing is ever edited: a change of any input
gives another key, so an old result can never be taken for a new one, and deleting the folder loses
nothing. A file that is damaged counts as absent.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, get_args

from pydantic_core import from_json

from glassay.bench.keeping.plain import in_lines, to_plain
from glassay.bench.keeping.results import MethodResult, Status
from glassay.disk import PART_SUFFIX, content_hash, refuse_links, write_atomically
from glassay.errors import Unusable
from glassay.finding import Finding
from glassay.quantity import Quantity, name_exposures

FORMAT = 2
"""Version of the result files' own layout and of their quantities; another counts as absent."""

DAMAGED = (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError)
"""What reading a damaged file raises."""

DRAWN_FOLDER = "drawn"
"""Where, beside the results, pages keep what was drawn of them; of use on this machine alone."""

MOSAICS_FOLDER = "mosaics"
"""Where, beside the results, whole pictures of mosaics are kept: gigabytes that can be drawn again."""

RESULT = b'\n "result": '
"""After which the text of a result stands in its file, as whose checksum it has."""

UNKNOWN = 64 * "0"

STALE_S = 600
"""Half-written files older than this belong to a killed run, and are removed."""


@dataclass(frozen=True)
class Dependencies:
    """Everything that a result depends on."""

    contents: tuple[str, ...]
    """SHA-256 of each file, in the capture's order."""
    method: str
    version: str
    settings: Mapping[str, Any]
    """The settings that matter to the method, as plain data."""

    @property
    def key(self) -> str:
        """A name for this set of dependencies."""
        text = json.dumps(
            [FORMAT, self.contents, self.method, self.version, to_plain(self.settings)],
            sort_keys=True,
        )
        return hashlib.sha256(text.encode()).hexdigest()[:40]


class Store:
    """The results of one bench. `folder` is its `results/`."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._measured = folder / "measured"
        self._hashes = folder / "contents.json"
        self._known = self._load_hashes()
        self._folders: dict[Path, Path] = {}

    def prepare(self) -> None:
        """Make the folder and remove half-written files. Raises `Unusable` when it cannot."""
        refuse_links(self._measured, self._folder.parent)
        try:
            self._measured.mkdir(parents=True, exist_ok=True)
            for part in [*self._measured.iterdir(), *self._folder.iterdir()]:
                if part.suffix == PART_SUFFIX and time.time() - part.stat().st_mtime > STALE_S:
                    part.unlink(missing_ok=True)
        except FileNotFoundError:  # another run has just finished writing it
            return
        except OSError as error:
            raise Unusable(
                f"{self._folder} cannot be written ({error.strerror}); results go there"
            ) from None

    def load(self, needs: Dependencies) -> MethodResult | None:
        """The result for these dependencies; None when there is none or it is damaged."""
        with contextlib.suppress(*DAMAGED):
            text = (self._measured / f"{needs.key}.json").read_bytes()
            data = from_json(text)
            body, stated = data["result"], data["checksum"]
            # Until November 2026 the checksum was of the plain data, which takes longer.
            whole = stated == checksum_after(RESULT, text) or stated == checksum(body)
            if whole and data["key"] == needs.key and body["status"] in get_args(Status):
                return MethodResult(
                    method=str(body["method"]),
                    status=body["status"],
                    findings={k: Finding.from_json(v) for k, v in body["findings"].items()},
                    notes=tuple(body["notes"]),
                    reason=str(body["reason"]),
                    evidence=dict(body["evidence"]),
                    facts=dict(body["facts"]),
                )
        return None

    def save(self, needs: Dependencies, result: MethodResult) -> MethodResult:
        """Keep a result, atomically, and give it back as `load` will: with lasting names for its
        unknowns, made of the key. Raises `Unusable` when it cannot be written."""
        quantities = {
            key: f.value for key, f in result.findings.items() if isinstance(f.value, Quantity)
        }
        named = name_exposures(quantities, needs.key)
        findings = {
            key: replace(f, value=named[key]) if key in named else f
            for key, f in result.findings.items()
        }
        result = replace(result, findings=findings)
        body = to_plain(result)
        data = {
            "key": needs.key,
            "contents": list(needs.contents),
            "method": needs.method,
            "version": needs.version,
            "settings": to_plain(needs.settings),
            "checksum": UNKNOWN,
            "result": body,
        }
        text = with_checksum(RESULT, in_lines(data, 3))
        write_atomically(self._measured / f"{needs.key}.json", text)
        return result

    def drop(self, needs: Dependencies) -> None:
        """Remove the result for these dependencies, if there is one. Raises `Unusable`."""
        path = self._measured / f"{needs.key}.json"
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise Unusable(f"{path} cannot be removed ({error.strerror})") from None

    def contents(self, paths: Sequence[Path]) -> tuple[str, ...]:
        """SHA-256 of each file; taken from memory while size and both time stamps are unchanged."""
        return tuple(self._content(path) for path in paths)

    def _content(self, path: Path) -> str:
        try:
            stat = path.stat()
        except OSError as error:
            raise Unusable(f"{path} cannot be read ({error.strerror})") from None
        stamp, place = [stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns], self._place(path)
        known = self._known.get(place)
        if known is None or known[:-1] != stamp:
            known = [*stamp, content_hash(path)]
            self._known[place] = known
        return str(known[-1])

    def _place(self, path: Path) -> str:
        """`path` without links. Its folder is looked at once: a bench has few, and many photos."""
        if path.is_symlink():
            return str(path.resolve())
        folder = self._folders.get(path.parent)
        if folder is None:
            folder = self._folders[path.parent] = path.parent.resolve()
        return str(folder / path.name)

    def _load_hashes(self) -> dict[str, list[Any]]:
        with contextlib.suppress(*DAMAGED):
            data = from_json(self._hashes.read_bytes())
            return {str(k): v for k, v in data.items() if isinstance(v, list) and len(v) == 4}
        return {}

    def remember_contents(self) -> None:
        """Keep the hashes for the next run. Raises `Unusable` when they cannot be written."""
        write_atomically(self._hashes, json.dumps(self._known, indent=1).encode())


def checksum_after(mark: bytes, text: bytes) -> str:
    """SHA-256 of all that comes after the first `mark`."""
    return hashlib.sha256(text.partition(mark)[2]).hexdigest()


def with_checksum(mark: bytes, text: str) -> bytes:
    """The text with the checksum of what comes after `mark` in the place of `UNKNOWN` before it."""
    raw = text.encode()
    return raw.replace(UNKNOWN.encode(), checksum_after(mark, raw).encode(), 1)


def checksum(body: Any) -> str:
    """SHA-256 of plain data, however its tables are ordered."""
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()
