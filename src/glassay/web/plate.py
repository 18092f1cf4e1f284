"""A plate: the same piece of a chip through several instruments, at one physical scale."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from glassay.bench.saying.words import say_length
from glassay.quantity import Quantity
from glassay.report.numbers import prose
from glassay.report.pictures import Pixels

PANEL_PX = 640
"""Side of one panel; six of them in two rows still print sharply on one page."""
MOST_ACROSS = 3


@dataclass(frozen=True)
class Panel:
    """One photo (8-bit, grey or R, G, B), its pixel size in um, where to look, and its heading.

    `centre` is in px of the photo, (0, 0) the middle of its top left pixel. `turn_deg` is by how
    much the photo shows the object turned clockwise; the panel takes it back.
    """

    photo: Pixels
    pixel_um: float
    centre: tuple[float, float]
    heading: str
    below: str
    turn_deg: float = 0.0


def cut(panel: Panel, width_um: float, side_px: int = PANEL_PX) -> Pixels:
    """The square piece `width_um` wide around the panel's centre, in `side_px` px; grey outside.

    Where it is reduced, every photo px counts by its area.
    """
    side = width_um / panel.pixel_um  # photo px across the piece
    photo = panel.photo if panel.photo.ndim == 3 else np.repeat(panel.photo[..., None], 3, axis=2)
    step = max(1, math.floor(side / side_px))
    if step > 1:
        rows, columns = photo.shape[0] // step, photo.shape[1] // step
        photo = np.asarray(
            cv2.resize(photo[: rows * step, : columns * step], (columns, rows),
                       interpolation=cv2.INTER_AREA)
        )  # fmt: skip
    scale = side / side_px / step  # reduced px for each px of the panel
    centre = [(value + 0.5) / step - 0.5 for value in panel.centre]
    turn, half = math.radians(panel.turn_deg), (side_px - 1) / 2
    c, s = scale * math.cos(turn), scale * math.sin(turn)
    moved = np.array([[c, -s, centre[0] - half * (c - s)], [s, c, centre[1] - half * (s + c)]])
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(photo, moved, (side_px, side_px), flags=how, borderValue=(128, 128, 128))
    )


def draw_plate(panels: Sequence[Panel], width_um: float, title: str) -> bytes:
    """The plate as PNG: panels with headings, one scale bar that holds for all."""
    from matplotlib.figure import Figure

    across = min(len(panels), MOST_ACROSS)
    down = math.ceil(len(panels) / across)
    figure = Figure(figsize=(4.4 * across, 5.0 * down + 0.5), layout="constrained")
    axes = figure.subplots(down, across, squeeze=False).ravel()
    for axis in axes[len(panels) :]:
        axis.set_visible(False)
    half = width_um / 2
    length = _bar(width_um / 3)
    for axis, panel in zip(axes, panels, strict=False):
        axis.imshow(cut(panel, width_um), extent=(-half, half, half, -half))
        axis.set(xticks=[], yticks=[])
        axis.set_title(panel.heading, fontsize=11, loc="left", wrap=True)
        axis.set_xlabel(prose(panel.below), fontsize=8.5, loc="left")
        x, y = -half * 0.92, half * 0.9
        axis.plot([x, x + length], [y, y], color="black", lw=6, solid_capstyle="butt")
        axis.plot([x, x + length], [y, y], color="white", lw=3.5, solid_capstyle="butt")
        axis.text(x, y - half * 0.05, prose(say_length(Quantity(length, "um"))), color="white",
                  fontsize=10, weight="bold", bbox={"facecolor": "black", "alpha": 0.6, "pad": 2,
                                                    "edgecolor": "none"})  # fmt: skip
    figure.suptitle(prose(f"{title}: {say_length(Quantity(width_um, 'um'))} wide each"))
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=150)
    return stream.getvalue()


def _bar(most: float) -> float:
    decade: float = 10.0 ** math.floor(math.log10(most))
    return max(step * decade for step in (1, 2, 5) if step * decade <= most)
