"""The evidence behind a focus run: contrast from photo to photo, and where the picture went."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.bench.saying.words import say
from glassay.focus import FocusResult
from glassay.imaging.file_names import is_clip
from glassay.report.curves import (
    BOTTOM,
    HEIGHT,
    LEFT,
    RIGHT,
    TOP,
    WIDTH,
    Chart,
    Curve,
    even_step,
    steps,
)
from glassay.report.drawing import Figure
from glassay.report.evidence import Case
from glassay.report.figure_file import write_figures

Array = npt.NDArray[np.float64]


def draw_focus(result: FocusResult, name: str, path: Path) -> None:
    """Draw the run into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    case = Case.of_result("focus run", result.findings(), result.evidence(), [], [name])
    write_figures(figures(case), path, name)


def figures(case: Case) -> tuple[Figure, ...]:
    """Contrast through focus, and the walk of the picture."""
    found = case.findings
    key = "depth_of_field" if "depth_of_field" in found else "depth_of_field_frames"
    depth = found[key].quantity
    words = (
        "Contrast through focus and, beside it, where the picture walked meanwhile; contrast stays"
        f" above half over {say(depth, f' {depth.unit}')}."
    )
    one = "frame" if is_clip(case.files[0]) else "photo"
    charts = (_contrast_chart(case.evidence, one), _walk_chart(case.evidence, one))
    return (Figure(charts, words),)


def _contrast_chart(evidence: Mapping[str, Any], one: str) -> Chart:
    frames, contrast, (low, high, best) = _through_focus(evidence)
    ends = (float(frames[0]), float(frames[-1]))
    half = Curve([low, high], [math.nan, math.nan], low=[0.0, 0.0], high=[1.1, 1.1])
    found = (half, Curve(frames, contrast), Curve(frames, contrast, "points"))
    return Chart(
        f"Contrast at {evidence['focus_frequency']:.3g} cycles/px over its peak. Shaded: where it stays"
        " above half.",
        one if evidence["step_um"] is None else "way of focus, µm", "contrast", ends, (0, 1.1), found,
        steps(*ends, even_step(ends[1] - ends[0])), steps(0, 1, 0.5), ((best, "best focus"),),
    )  # fmt: skip


def _walk_chart(evidence: Mapping[str, Any], one: str) -> Chart:
    path, sharp = _walk(evidence)
    shown = path[sharp]
    high = 1.2 * max(1.0, float(np.nanmax(np.abs(shown))))
    wide = high * (WIDTH - LEFT - RIGHT) / (HEIGHT - TOP - BOTTOM)  # a px is alike both ways
    ticks = even_step(2 * high)
    curves = (Curve(shown[:, 0], shown[:, 1]), Curve(shown[:, 0], shown[:, 1], "points"))
    return Chart(
        f"Where the picture stands while it is sharp, against the sharpest {one} (0, 0).",
        "px to the right", "px down", (-wide, wide), (high, -high), curves,
        steps(-wide, wide, ticks), steps(-high, high, ticks),
        levels=((0.0, ""),),
    )  # fmt: skip


def _through_focus(evidence: Mapping[str, Any]) -> tuple[Array, Array, tuple[float, float, float]]:
    """Places of focus, contrast over its peak; and where it falls to half twice, and peaks.

    In um from the first photo where the step is known, else in photos counted from 1.
    """
    step = evidence["step_um"]
    scale, start = (1.0, 1.0) if step is None else (float(step), 0.0)
    low, high, best = (scale * evidence[key] + start for key in ("low", "high", "best"))
    contrast = np.asarray(evidence["contrast"], dtype=float) / evidence["top"]
    return scale * np.arange(contrast.size) + start, contrast, (low, high, best)


def _walk(evidence: Mapping[str, Any]) -> tuple[Array, Any]:
    """Where the picture stands (n, 2), px, NaN where unknown; and whether it is sharp there."""
    path = np.array(evidence["path_px"], dtype=float)  # None becomes NaN
    return path, np.asarray(evidence["contrast"], dtype=float) > 0.25 * evidence["top"]
