"""Checksums of captures as they were filed, kept beside `bench.toml` (not in `results/`, whose loss
loses nothing). The form is that of sha256sum: `sha256sum -c captures.sha256` reads it."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Mapping
from pathlib import Path

from glassay.bench.document.model import Bench
from glassay.bench.keeping.store import Store
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.one_writer import one_writer

CHECKSUMS_FILE = "captures.sha256"


def read_checksums(folder: Path) -> dict[str, str]:
    """Checksum of each filed file by its name in the bench; lines that are none are passed over."""
    with contextlib.suppress(OSError, UnicodeDecodeError):
        text = (folder / CHECKSUMS_FILE).read_text(encoding="utf-8")
        lines = (re.fullmatch(r"([0-9a-f]{64}) [ *](.+)", line) for line in text.splitlines())
        return {line[2]: line[1] for line in lines if line}
    return {}


def add_checksums(folder: Path, found: Mapping[str, str]) -> None:
    """Keep the checksums of files just filed. Raises `Unusable` when they cannot be written."""
    if found:
        with one_writer(folder):
            lines = {**read_checksums(folder), **found}
            text = "".join(f"{checksum}  {name}\n" for name, checksum in sorted(lines.items()))
            write_atomically(folder / CHECKSUMS_FILE, text.encode())


def contents_of(bench: Bench) -> dict[str, str]:
    """Checksum of each capture's file as it is now, by name; files that cannot be read are left
    out, as measuring them says so already."""
    store = Store(bench.results_folder)
    found: dict[str, str] = {}
    for capture in bench.captures:
        for name, path in zip(capture.files, bench.paths(capture), strict=True):
            with contextlib.suppress(Unusable):
                found[name] = store.contents((path,))[0]
    return found
