"""The evidence behind a focus stack: the picture, its depth, and how the photos lay."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np

from glassay.bench.saying.words import short
from glassay.imaging import linear_to_srgb
from glassay.report.curves import Chart, Curve, even_step, steps
from glassay.report.drawing import Overlay
from glassay.report.evidence import pixels_in_file
from glassay.report.figure_file import write_panels
from glassay.stack import StackResult

LARGEST_SIDE_PX = 1200
"""Pictures are thinned to this for drawing."""
UNKNOWN = 255
"""Level of places whose value is not known: white, as the paper."""
OUTLIERS = (0.5, 99.5)
"""Percentiles between which the shades of a map run: single wild places do not take them all."""


def draw_stack(found: StackResult, name: str, path: Path) -> None:
    """Draw the stack into a file whose suffix decides the format. Raises `Unusable`."""
    thin = max(1, max(found.places.shape) // LARGEST_SIDE_PX)
    few = (slice(None, None, thin), slice(None, None, thin))
    shown = np.rint(255 * np.clip(linear_to_srgb(found.picture[few]), 0, 1)).astype(np.uint8)
    unit = found.depth_unit
    number = np.arange(1.0, found.frames + 1)
    write_panels(
        [
            pixels_in_file(shown, "The stacked picture."),
            _map(found.depth[few], "Depth from the first photo", unit),
            _map(found.u_depth[few], "Standard uncertainty of depth", unit),
            _chart(number, [100 * (found.alignment.magnification - 1)],
                   "Magnification against the middle photo, per cent.", "%"),
            _chart(number, list(found.alignment.shift_px.T),
                   "The picture's place: to the right (solid) and down (dashed).", "px"),
        ],
        path, name,
    )  # fmt: skip


def _map(values: Any, what: str, unit: str) -> Overlay:
    """Values in shades from dark to bright, white where unknown."""
    known = np.isfinite(values)
    low, high = np.percentile(values[known], OUTLIERS) if known.any() else (0.0, 1.0)
    level = np.clip((values - low) / max(high - low, 1e-12), 0, 1)
    shade = cv2.applyColorMap(
        np.rint(255 * np.where(known, level, 0)).astype(np.uint8), cv2.COLORMAP_CIVIDIS
    )[..., ::-1]
    shown = np.where(known[..., None], shade, UNKNOWN).astype(np.uint8)
    words = (
        f"{what}: from {short(float(low))} {unit} (dark blue) to {short(float(high))} {unit} (yellow);"
        " white: unknown."
    )
    return pixels_in_file(shown, words)


def _chart(number: Any, lines: list[Any], words: str, unit: str) -> Chart:
    low, high = min(float(np.min(y)) for y in lines), max(float(np.max(y)) for y in lines)
    margin = 0.05 * max(high - low, 1e-6)
    ends = (low - margin, high + margin)
    span = (float(number[0]), float(max(number[-1], number[0] + 1)))
    curves = tuple(
        Curve(number, y, style)  # type: ignore[arg-type]
        for y, style in zip(lines, ("main", "dashed"), strict=False)
    )
    return Chart(words, "photo", unit, span, ends, curves, steps(*span, even_step(span[1] - span[0])),
                 steps(*ends, even_step(ends[1] - ends[0])))  # fmt: skip
