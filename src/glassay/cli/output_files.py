"""Names of files to be written: asked about before anything is measured, and never an input."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from glassay.errors import Unusable

TIFF_SUFFIXES = (".tif", ".tiff")


def check_tiff_path(path: Path, option: str) -> None:
    """Raise `Unusable` unless a TIFF can be put there."""
    if path.suffix.lower() not in TIFF_SUFFIXES:
        raise Unusable(f"{option} {path.name}: it is written as {' or '.join(TIFF_SUFFIXES)}")
    if path.is_dir():
        raise Unusable(f"{option} {path}: that is a folder")
    if not path.parent.is_dir():
        raise Unusable(f"{option} {path}: there is no folder {path.parent}")
    if not os.access(path.parent, os.W_OK):
        raise Unusable(f"{option} {path}: the folder cannot be written to")


def check_apart(outputs: Sequence[Path], inputs: Sequence[Path]) -> None:
    """Raise `Unusable` when a file to be written is one that is read, or another one to be written.

    Also through symbolic and hard links, and by names that differ in case only: some file systems
    take them for the same.
    """
    for number, path in enumerate(outputs):
        for given in inputs:
            if _same(path, given):
                raise Unusable(f"{path} would be written over the photo {given}")
        for other in outputs[:number]:
            if _same(path, other):
                raise Unusable(f"{path} would be written over {other}")


def _same(one: Path, other: Path) -> bool:
    if str(one.resolve()).casefold() == str(other.resolve()).casefold():
        return True
    try:
        return one.samefile(other)
    except OSError:  # one of them does not exist
        return False
