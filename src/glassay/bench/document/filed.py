"""Files as they were filed: their checksums, kept beside `bench.toml`, and where one went since.

The form is that of sha256sum: `sha256sum -c captures.sha256` reads it.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from itertools import islice
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


def renamed_to(folder: Path, name: str) -> str | None:
    """The name in the bench of a file that has the checksum with which the missing `name` was filed;
    those beside it first. None where there is none, or `name` was filed without one."""
    kept = read_checksums(folder)
    if name not in kept:
        return None
    for path in islice(_not_filed(folder, name, kept), MOST_LOOKED_AT):
        with contextlib.suppress(Unusable):
            if content_hash(path) == kept[name]:
                return path.relative_to(folder).as_posix()
    return None


def _not_filed(folder: Path, name: str, kept: dict[str, str]) -> Iterator[Path]:
    """Files among the captures that were filed under no name of theirs."""
    beside = (folder / name).parent
    try:
        found = [one for one in sorted((folder / "captures").rglob("*")) if one.is_file()]
    except OSError:
        return
    for path in sorted(found, key=lambda one: one.parent != beside):
        if path.relative_to(folder).as_posix() not in kept:
            yield path
