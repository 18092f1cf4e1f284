"""The evidence behind a match: the shared region on both photos, both laid over each other, and
what the mapping leaves."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging import Photo
from glassay.match import MatchResult
from glassay.match.mapping import Points
from glassay.report.figure_file import check_figure_name, save_figure
from glassay.report.pictures import for_screen

OUTLINE, CASING = "#ffb000", "#2b1d00"
"""Lines over photos are light with a dark casing, so that they show on bright and on dark ground."""
CHECKS = 6
"""Fields of the chequered overlay along its longer side."""
OVERLAY_PX = 900


def draw_match(first: Photo, second: Photo, result: MatchResult, path: Path) -> None:
    """Draw the overlap on both photos, a chequered overlay, and the residuals, into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    canvas = Canvas(figsize=(11.0, 9.6), layout="constrained")
    axes = canvas.subplots(2, 2)
    _draw_photo(axes[0, 0], first, result.overlap_first)
    _draw_photo(axes[0, 1], second, result.overlap_second)
    _draw_overlay(axes[1, 0], first, second, result)
    _draw_residuals(axes[1, 1], result)
    canvas.suptitle(
        f"scale ratio {result.scale_ratio.value:.6g}, rotation {result.rotation.value:.3f} deg,"
        f" residual {result.residual.value:.2f} px of the finer photo"
    )
    save_figure(canvas, path)


def _draw_photo(axes: Any, photo: Photo, overlap: Points) -> None:
    from matplotlib.patheffects import withStroke

    frame = (-0.5, photo.width - 0.5, photo.height - 0.5, -0.5)
    axes.imshow(for_screen(photo, 1000), extent=frame, cmap="gray", vmin=0, vmax=255)
    ring = np.vstack([overlap, overlap[:1]])
    axes.plot(ring[:, 0], ring[:, 1], color=OUTLINE, linewidth=1.4,
              path_effects=[withStroke(linewidth=3.0, foreground=CASING)])  # fmt: skip
    axes.set(xlim=frame[:2], ylim=frame[2:], xticks=[], yticks=[])
    axes.set_xlabel(f"{photo.path.name}: shared region")


def _draw_overlay(axes: Any, first: Photo, second: Photo, result: MatchResult) -> None:
    """Both photos in the first one's frame, in alternating squares, over the shared region."""
    low, high = result.overlap_first.min(axis=0), result.overlap_first.max(axis=0)
    step = float((high - low).max()) / OVERLAY_PX
    width, height = (max(2, int(side / step)) for side in high - low)
    rows, columns = np.mgrid[:height, :width]
    here = low + step * np.stack([columns.ravel(), rows.ravel()], axis=1)
    pictures = [
        _sampled(first, here, (height, width)),
        _sampled(second, result.mapping(here), (height, width)),
    ]
    side = max(width, height) / CHECKS
    squares = (np.floor(rows / side) + np.floor(columns / side)) % 2 == 1
    axes.imshow(np.where(squares, pictures[1], pictures[0]), cmap="gray", vmin=0, vmax=255)
    axes.set(xticks=[], yticks=[])
    axes.set_xlabel("both, in alternating squares, in the frame of the first")


def _sampled(photo: Photo, points: Points, shape: tuple[int, int]) -> npt.NDArray[np.float32]:
    screen = for_screen(photo, None)
    grey = screen if screen.ndim == 2 else screen.mean(axis=2)
    at = points.astype(np.float32).reshape(*shape, 2)
    value = cv2.remap(grey.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    low, high = np.quantile(value, (0.005, 0.995))  # lights differ: both are stretched alike
    return np.asarray(np.clip(255 * (value - low) / max(high - low, 1e-6), 0, 255), np.float32)


def _draw_residuals(axes: Any, result: MatchResult) -> None:
    places, rests = result.places, result.rests
    length = np.hypot(*rests.T)
    shown = length <= max(4 * float(np.median(length)), 1e-9)  # outliers carry no weight
    arrows = axes.quiver(
        places[shown, 0], places[shown, 1], rests[shown, 0], rests[shown, 1],
        angles="xy", color="#0b5c6b", width=0.004,
    )  # fmt: skip
    typical = float(np.median(length)) or 1e-3
    axes.quiverkey(arrows, 0.85, 1.04, typical, f"{typical:.2g} px", labelpos="E")
    axes.set_aspect("equal")
    axes.invert_yaxis()
    axes.set_xlabel("what the mapping leaves in each block, px of the finer photo")
