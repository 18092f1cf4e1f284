"""The evidence behind a focus stack: the picture, its depth, and how the photos lay."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np

from glassay.bench.saying.words import short
from glassay.imaging import linear_to_srgb
from glassay.report.curves import Chart, Curve, even_step, steps
from glassay.report.drawing import Figure, Overlay
from glassay.report.evidence import Case, kept_picture, pixels_in_file
from glassay.report.figure_file import write_panels
from glassay.report.pictures import Pixels
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
    known = np.isfinite(values)
    low, high = np.percentile(values[known], OUTLIERS) if known.any() else (0.0, 1.0)
    return pixels_in_file(*_shades(values, float(low), float(high), what, unit))


def _shades(values: Any, low: float, high: float, what: str, unit: str) -> tuple[Pixels, str]:
    """Values in shades from dark to bright, white where unknown, and what they say."""
    words = (
        f"{what}: from {short(low)} {unit} (dark blue) to {short(high)} {unit} (yellow);"
        " white: unknown."
    )
    return _shade(values, low, high), words


def _shade(values: Any, low: float, high: float) -> Pixels:
    known = np.isfinite(values)
    level = np.clip((np.where(known, values, low) - low) / max(high - low, 1e-12), 0, 1)
    shade: Any = cv2.applyColorMap(np.rint(255 * level).astype(np.uint8), cv2.COLORMAP_CIVIDIS)
    return np.where(known[..., None], shade[..., ::-1], UNKNOWN).astype(np.uint8)


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


def figures(case: Case) -> tuple[Figure, ...]:
    """Of a stack kept on a bench: the picture, sharp at all heights, and the map of depth."""
    evidence = case.evidence
    picture = kept_picture(evidence["picture"])
    if picture.ndim == 3:
        picture = picture[..., ::-1]
    low, high, unit = evidence["depth_low"], evidence["depth_high"], evidence["depth_unit"]
    levels, highest = kept_picture(evidence["depth"]), evidence["levels"]
    values = np.where(levels == 0, np.nan, low + (levels - 1.0) / (highest - 1) * (high - low))
    depth = (
        _shades(values, low, high, "Depth from the first photo", "um" if unit == "um" else "steps")
        if high > low
        else (_shade(values, low, high), "Depth is not known anywhere in it, or all at one depth.")
    )
    shown = ((picture, "Every place from the photos in which it is sharp."), depth)
    return tuple(
        Figure((_plain(f"{case.name}-{number}", case.embed(pixels, 0.4), pixels, words),), words)
        for number, (pixels, words) in enumerate(shown)
    )


def _plain(name: str, source: str, pixels: Pixels, words: str) -> Overlay:
    height, width = pixels.shape[:2]
    return Overlay(name, words, source, (-0.5, -0.5, float(width), float(height)))
