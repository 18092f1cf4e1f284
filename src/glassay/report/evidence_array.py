"""The evidence behind a lattice: where it was seen, a piece of it with the sites marked, and the
outline of the array."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from glassay.imaging import Photo
from glassay.lattice import ArrayResult
from glassay.report.figure_file import check_figure_name, save_figure
from glassay.report.pictures import for_screen

MARK, CASING = "#ffb000", "#2b1d00"
PERIODS_SHOWN = 12


def draw_array(photos: Sequence[Photo], result: ArrayResult, path: Path) -> None:
    """Draw where the lattice was seen, its rows over a piece of the photo, and the array's outline.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    panels = 3 if result.extent is not None else 2
    canvas = Canvas(figsize=(4.6 * panels, 4.4), layout="constrained")
    axes = canvas.subplots(1, panels, squeeze=False)[0]
    photo = photos[result.lattice_of]
    _draw_filled(axes[0], photo, result)
    _draw_sites(axes[1], photo, result)
    if result.extent is not None and result.extent_of is not None:
        _draw_outline(axes[2], photos[result.extent_of], result)
    save_figure(canvas, path)


def _show(axes: Any, photo: Photo) -> None:
    frame = (-0.5, photo.width - 0.5, photo.height - 0.5, -0.5)
    axes.imshow(for_screen(photo, 1200), extent=frame, cmap="gray", vmin=0, vmax=255)
    axes.set(xlim=frame[:2], ylim=frame[2:], xticks=[], yticks=[])


def _draw_filled(axes: Any, photo: Photo, result: ArrayResult) -> None:
    _show(axes, photo)
    lattice = result.lattice
    rows, columns = np.nonzero(lattice.filled)
    high, wide = lattice.block_px
    axes.plot((columns + 0.5) * wide, (rows + 0.5) * high, ".", color=MARK, markersize=2)
    axes.set_xlabel(f"{photo.path.name}: dots where the lattice is seen")


def _draw_sites(axes: Any, photo: Photo, result: ArrayResult) -> None:
    """A piece around a place where the lattice is seen, with every site of its phase-free grid."""
    lattice = result.lattice
    pitches = [p.value for p in (lattice.pitch_x, lattice.pitch_y) if p is not None]
    side = PERIODS_SHOWN * max(pitches)
    rows, columns = np.nonzero(lattice.filled)
    middle = (np.array([np.median(columns), np.median(rows)]) + 0.5) * lattice.block_px[::-1]
    _show(axes, photo)
    left, top = (max(0.0, float(m) - side / 2) for m in middle)
    for step, style in _ticks(lattice, left, top, side):
        axes.plot(*step, style, color=MARK, linewidth=0.7)
    axes.set(xlim=(left, left + side), ylim=(top + side, top))
    axes.set_xlabel(
        f"lines one pitch apart ({', '.join(f'{p:.2f}' for p in pitches)} px); their origin is free"
    )


def _ticks(lattice: Any, left: float, top: float, side: float) -> list[tuple[Any, str]]:
    tilt = math.radians(lattice.tilt_deg)
    c, s = math.cos(tilt), math.sin(tilt)
    lines: list[tuple[Any, str]] = []
    centre = np.array([left + side / 2, top + side / 2])
    span = np.arange(-PERIODS_SHOWN, PERIODS_SHOWN + 1)
    for pitch, across, along in (
        (lattice.pitch_x, np.array([c, s]), np.array([-s, c])),
        (lattice.pitch_y, np.array([-s, c]), np.array([c, s])),
    ):
        if pitch is None:
            continue
        for k in span:
            ends = np.stack([centre + k * pitch.value * across + t * side * along for t in (-1, 1)])
            lines.append(((ends[:, 0], ends[:, 1]), "-"))
    return lines


def _draw_outline(axes: Any, photo: Photo, result: ArrayResult) -> None:
    from matplotlib.patheffects import withStroke

    assert result.extent is not None
    _show(axes, photo)
    corners = np.vstack([result.extent.corners, result.extent.corners[:1]])
    axes.plot(corners[:, 0], corners[:, 1], color=MARK, linewidth=1.2,
              path_effects=[withStroke(linewidth=2.6, foreground=CASING)])  # fmt: skip
    count = ""
    if result.columns is not None and result.rows is not None:
        count = f": {result.columns.value:.0f} x {result.rows.value:.0f} pixels"
    axes.set_xlabel(f"{photo.path.name}: active array{count}")
