"""The evidence behind a die's numbers: outline and numbered pads over the photo."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from glassay.die import DieResult
from glassay.imaging import Photo
from glassay.report.evidence import overlay_in_file
from glassay.report.figure_file import check_figure_name, write_panels
from glassay.report.strokes import outline_path


def draw_die(photo: Photo, result: DieResult, path: Path) -> None:
    """Draw outline and pads over the photo, into a file in the format of its suffix.

    Raises `Unusable` for another suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    frames = "".join(
        outline_path(pad_corners(result, pad.x, pad.y, pad.width, pad.height))
        for pad in result.pads
    )
    labels = [
        (float(x), float(y), pad.number)
        for pad in result.pads
        for x, y in result.outline.to_photo([(pad.x, pad.y)])
    ]
    count = len(result.pads)
    words = f"Bold: the outline. Thin: {count} pads, counted {result.counted}."
    strokes = (("thin", frames), ("", outline_path(die_outline(result))))
    letter = max(photo.width, photo.height) / LETTERS
    write_panels([overlay_in_file(photo, words, strokes, labels, letter)], path, photo.path.name)


LETTERS = 80
"""Numbers of pads are this part of the photo's longer side high."""


def die_outline(result: DieResult, points: int = 40) -> Any:
    """The outline as the photo shows it, bowed by the lens, closed, (n, 2) px."""
    w, h = result.outline.width.value, result.outline.height.value
    t = np.linspace(0, 1, points, endpoint=False)
    sides = [(t * w, 0 * t), (w + 0 * t, t * h), (w - t * w, h + 0 * t), (0 * t, h - t * h)]
    ring = np.concatenate([np.stack(side, axis=1) for side in sides] + [np.zeros((1, 2))])
    return result.outline.to_photo(ring)


def pad_corners(result: DieResult, x: float, y: float, width: float, height: float) -> Any:
    """The corners of a rectangle on the die in px of the photo, closed, (5, 2)."""
    half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]) / 2
    return result.outline.to_photo(half * (width, height) + (x, y))
