"""Files as they were filed: their checksums, kept beside `bench.toml`, and where one went since.

The form is that of sha256sum: `sha256sum -c captures.sha256` reads it.
"""

from __future__ import annotations

import contextlib
import re
from functools import cached_property
from pathlib import Path

from glassay.disk import content_hash
from glassay.errors import Unusable

CHECKSUMS_FILE = "captures.sha256"

MOST_LOOKED_AT = 300
"""Files that are read in search of one that was renamed."""


def read_checksums(folder: Path) -> dict[str, str]:
    """Checksum of each filed file by its name in the bench; lines that are none are passed over."""
    with contextlib.suppress(OSError, UnicodeDecodeError):
        text = (folder / CHECKSUMS_FILE).read_text(encoding="utf-8")
        lines = (re.fullmatch(r"([0-9a-f]{64}) [ *](.+)", line) for line in text.splitlines())
        return {line[2]: line[1] for line in lines if line}
    return {}


class Filed:
    """The files of one bench as they were filed, and as they lie there now: read when first asked for,
    and once, however many are missing."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._contents: dict[Path, str | None] = {}

    @cached_property
    def checksums(self) -> dict[str, str]:
        """See `read_checksums`."""
        return read_checksums(self._folder)

    def renamed_to(self, name: str) -> str | None:
        """The name in the bench of a file that has the checksum with which the missing `name` was
        filed; those beside it first. None where there is none, or `name` was filed without one."""
        if name not in self.checksums:
            return None
        beside = (self._folder / name).parent
        for path in sorted(self._unfiled, key=lambda one: one.parent != beside)[:MOST_LOOKED_AT]:
            if self._content(path) == self.checksums[name]:
                return path.relative_to(self._folder).as_posix()
        return None

    @cached_property
    def _unfiled(self) -> list[Path]:
        """Files among the captures that were filed under no name of theirs."""
        try:
            found = [one for one in sorted((self._folder / "captures").rglob("*")) if one.is_file()]
        except OSError:
            return []
        return [p for p in found if p.relative_to(self._folder).as_posix() not in self.checksums]

    def _content(self, path: Path) -> str | None:
        if path not in self._contents:
            self._contents[path] = None
            with contextlib.suppress(Unusable):
                self._contents[path] = content_hash(path)
        return self._contents[path]
