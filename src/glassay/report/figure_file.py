"""Figures into files of their own."""

from __future__ import annotations

import io
import math
import os
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.report.drawing import Figure, Panel, Piece, pieces_of
from glassay.report.numbers import prose
from glassay.report.typeset import typeset

FIGURE_SUFFIXES = (".png", ".svg", ".pdf", ".jpg", ".jpeg")
"""Suffixes of a figure's file; each decides the format."""

LAYOUT = "figure.typ"
WIDTH_MM, MOST_HEIGHT_MM = 240.0, 150.0
"""Width of a figure, and the height of its largest picture: at 150 px an inch it fills a screen."""


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


def write_figures(figures: Iterable[Figure], path: Path, title: str) -> None:
    """Write what `figures` of a method describe into a file; see `write_panels`."""
    made = list(figures)
    write_panels([panel for figure in made for panel in figure.panels], path, title,
                 " ".join(figure.caption for figure in made if figure.caption))  # fmt: skip


def write_panels(panels: Sequence[Panel], path: Path, title: str, words: str = "") -> None:
    """Write panels below a title in the format of the path's suffix; `words` say what they show.

    Atomically. Raises `Unusable` for another suffix, or when the file cannot be written.
    """
    check_figure_path(path)
    suffix = path.suffix.lower()
    with tempfile.TemporaryDirectory(prefix="glassay-") as name:
        folder = Path(name)
        rows: list[dict[str, object]] = []
        for row in _rows(list(pieces_of(panels))):
            cells = []
            for number, piece in enumerate(row):
                file = f"{len(rows)}-{number}.svg"
                (folder / file).write_bytes(piece.svg)
                said = "" if piece.words.rstrip(".") == words.rstrip(".") else piece.words
                cells.append({"file": file, "words": prose(said)})
            rows.append({"cells": cells, "widths_mm": _widths_mm(row)})
        content = {"title": prose(title), "words": prose(words), "rows": rows, "width_mm": WIDTH_MM}
        form = suffix.lstrip(".") if suffix in (".svg", ".pdf") else "png"
        data = typeset(folder, LAYOUT, content, form)  # type: ignore[arg-type]
    write_atomically(path, _as_jpeg(data) if suffix in (".jpg", ".jpeg") else data)


ACROSS = {"picture": 3, "detail": 2, "chart": 2, "strip": 1}
"""Pieces of a kind that stand beside each other at most; a detail stands beside its strip."""


def _rows(pieces: Sequence[Piece]) -> list[list[Piece]]:
    rows: list[list[Piece]] = []
    for piece in pieces:
        last = rows[-1] if rows else []
        kind = last[0].kind if last else ""
        goes_with = kind in ("detail", piece.kind)
        if goes_with and (kind == "picture" or len(last) < ACROSS[kind]):
            last.append(piece)
        else:
            rows.append([piece])
    return [part for row in rows for part in _halved(row)]


def _halved(row: list[Piece]) -> list[list[Piece]]:
    """Pictures in rows of nearly one length."""
    most = ACROSS[row[0].kind]
    count = math.ceil(len(row) / most)
    share = math.ceil(len(row) / count)
    return [row[at : at + share] for at in range(0, len(row), share)]


GAP_MM = 4.0


def _widths_mm(row: Sequence[Piece]) -> list[float]:
    """Widths of the pieces of a row: pictures of one height, everything else alike."""
    free = WIDTH_MM - GAP_MM * (len(row) - 1)
    if row[0].kind == "picture":
        shapes = [piece.width / piece.height for piece in row]
        height = min(MOST_HEIGHT_MM, free / sum(shapes))
        return [height * shape for shape in shapes]
    if row[0].kind == "detail" and len(row) == 2:
        return [0.3 * free, 0.7 * free]
    return [min(free / len(row), WIDTH_MM / 2) if row[0].kind == "chart" else free] * len(row)


def _as_jpeg(png: bytes) -> bytes:
    from PIL import Image

    stream = io.BytesIO()
    Image.open(io.BytesIO(png)).convert("RGB").save(stream, "JPEG", quality=92)
    return stream.getvalue()
