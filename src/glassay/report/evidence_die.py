"""The evidence behind a die's numbers: outline and numbered pads over the photo."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from glassay.die import DieResult
from glassay.imaging import Photo
from glassay.report.figure_file import check_figure_name, save_figure
from glassay.report.pictures import for_screen

MARK, PAD, CASING = "#ffb000", "#39d5ff", "#101418"
SHOWN_PX = 1600


def draw_die(photo: Photo, result: DieResult, path: Path) -> None:
    """Draw outline and pads over the photo, into a file in the format of its suffix.

    Raises `Unusable` for another suffix, or when the file cannot be written.
    """
    from matplotlib.figure import Figure as Canvas
    from matplotlib.patheffects import withStroke

    check_figure_name(path)
    canvas = Canvas(figsize=(11.0, 11.0 * photo.height / photo.width + 0.6), layout="constrained")
    axes: Any = canvas.subplots()
    frame = (-0.5, photo.width - 0.5, photo.height - 0.5, -0.5)
    axes.imshow(for_screen(photo, SHOWN_PX), extent=frame, cmap="gray", vmin=0, vmax=255)
    axes.set(xlim=frame[:2], ylim=frame[2:], xticks=[], yticks=[])
    casing = [withStroke(linewidth=3.2, foreground=CASING)]
    ring = outline_path(result)
    axes.plot(ring[:, 0], ring[:, 1], color=MARK, linewidth=1.4, path_effects=casing)
    for pad in result.pads:
        corners = pad_corners(result, pad.x, pad.y, pad.width, pad.height)
        axes.plot(corners[:, 0], corners[:, 1], color=PAD, linewidth=1.0,
                  path_effects=[withStroke(linewidth=2.2, foreground=CASING)])  # fmt: skip
        x, y = result.outline.to_photo([(pad.x, pad.y)])[0]
        axes.annotate(str(pad.number), (x, y), color="white", fontsize=6, ha="center", va="center",
                      path_effects=[withStroke(linewidth=1.8, foreground=CASING)])  # fmt: skip
    axes.set_xlabel(
        f"{photo.path.name}: outline ({MARK_NAME}) and {len(result.pads)} pads, counted"
        " counter-clockwise from the top left"
    )
    save_figure(canvas, path)


MARK_NAME = "amber"


def outline_path(result: DieResult, points: int = 40) -> Any:
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
