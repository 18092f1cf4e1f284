"""Names of files to be written: asked about before anything is measured."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from glassay.disk import is_same_place
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


def check_apart(outputs: Sequence[Path]) -> None:
    """Raise `Unusable` when two files to be written are one (see `disk.is_same_place`)."""
    for number, path in enumerate(outputs):
        for other in outputs[:number]:
            if is_same_place(path, other):
                raise Unusable(f"{path} would be written over {other}")
