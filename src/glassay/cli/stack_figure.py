"""The evidence behind a focus stack: the picture, its depth, and how the photos lay."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from glassay.imaging import linear_to_srgb
from glassay.report.figure_file import save_figure
from glassay.stack import StackResult

LARGEST_SIDE_PX = 1200
"""Pictures are thinned to this for drawing."""


def draw_stack(found: StackResult, name: str, path: Path) -> None:
    """Draw the stack into a file whose suffix decides the format. Raises `Unusable`."""
    from matplotlib.figure import Figure

    canvas = Figure(figsize=(11.0, 8.0), layout="constrained")
    (picture, depth), (unsure, lie) = canvas.subplots(2, 2)
    thin = max(1, max(found.places.shape) // LARGEST_SIDE_PX)
    few = (slice(None, None, thin), slice(None, None, thin))
    shown = linear_to_srgb(found.picture[few])
    picture.imshow(shown, cmap="gray" if shown.ndim == 2 else None, vmin=0, vmax=1)
    picture.set_title("stacked picture")
    _map(canvas, depth, found.depth[few], f"depth from the first photo, {found.depth_unit}")
    _map(canvas, unsure, found.u_depth[few], f"standard uncertainty of depth, {found.depth_unit}")
    for axes in (picture, depth, unsure):
        axes.set_axis_off()
    number = np.arange(1, found.frames + 1)
    lie.plot(number, 100 * (found.alignment.magnification - 1), "o-", color="black", markersize=3)
    lie.set(xlabel="photo", ylabel="magnification against the middle photo, %")
    beside = lie.twinx()
    for column, style, word in ((0, "--", "to the right"), (1, ":", "down")):
        beside.plot(number, found.alignment.shift_px[:, column], style, color="#b35c00", label=word)
    beside.set_ylabel("the picture's place, px", color="#b35c00")
    beside.legend(fontsize=8)
    save_figure(canvas, path, title=name)


def _map(canvas: Any, axes: Any, values: Any, title: str) -> None:
    axes.set_facecolor("0.75")
    seen = axes.imshow(np.ma.masked_invalid(values), cmap="cividis", interpolation="nearest")
    canvas.colorbar(seen, ax=axes, shrink=0.8)
    axes.set_title(f"{title} (blank: unknown)")
