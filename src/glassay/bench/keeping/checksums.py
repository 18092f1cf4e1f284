"""Checksums of captures: as they were filed, kept beside `bench.toml` (not in `results/`, whose loss
loses nothing), and as they are now."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path

from glassay.bench.document.filed import CHECKSUMS_FILE, read_checksums
from glassay.bench.document.model import Bench
from glassay.bench.keeping.store import Store
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.one_writer import one_writer


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
