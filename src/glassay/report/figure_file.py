"""Figures into files of their own."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import TYPE_CHECKING

from glassay.disk import write_atomically
from glassay.errors import Unusable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FIGURE_SUFFIXES = (".png", ".svg", ".pdf", ".jpg", ".jpeg")
"""Suffixes of a figure's file; each decides the format."""

DPI = 150


def check_figure_name(path: Path) -> None:
    """Raise `Unusable` unless the suffix is one of `FIGURE_SUFFIXES`."""
    if path.suffix.lower() not in FIGURE_SUFFIXES:
        raise Unusable(f"{path.name}: a figure is written as {', '.join(FIGURE_SUFFIXES)}")


def check_figure_path(path: Path) -> None:
    """Raise `Unusable` unless the suffix is one of `FIGURE_SUFFIXES` and a file can be put there.

    Asked before anything is measured, so that no long measurement ends in a mistyped name.
    """
    check_figure_name(path)
    folder = path.parent
    try:
        there, place = folder.is_dir(), path if path.exists() else folder
    except OSError as error:  # a name longer than a file system takes
        raise Unusable(f"{path}: cannot be written ({error.strerror})") from None
    if not there:
        raise Unusable(f"{path}: cannot be written (there is no folder {folder})")
    if not os.access(place, os.W_OK):
        raise Unusable(f"{path}: cannot be written (no permission)")


def save_figure(figure: Figure, path: Path, title: str = "") -> None:
    """Write a matplotlib figure, with a title above it, in the format of the path's suffix.

    Atomically. Raises `Unusable` for another suffix, or when the file cannot be written.
    """
    check_figure_path(path)
    if title:
        figure.suptitle(title)
    stream = io.BytesIO()
    figure.savefig(stream, dpi=DPI, format=path.suffix.lower().lstrip("."))
    write_atomically(path, stream.getvalue())
