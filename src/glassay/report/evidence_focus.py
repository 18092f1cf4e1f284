"""The evidence behind a focus run: contrast from photo to photo, and where the picture went."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from glassay.bench.words import say
from glassay.focus import FocusResult
from glassay.report.canvas import on_page
from glassay.report.evidence import Case, Figure
from glassay.report.figure_file import check_figure_name, save_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas


def draw_focus(result: FocusResult, name: str, path: Path) -> None:
    """Draw the run into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    canvas = _canvas(result.evidence())
    canvas.suptitle(name)
    save_figure(canvas, path)


def figures(case: Case) -> tuple[Figure, ...]:
    """Contrast through focus, and the walk of the picture."""
    found = case.part.findings
    key = "depth_of_field" if "depth_of_field" in found else "depth_of_field_frames"
    depth = found[key].quantity
    words = (
        "Contrast through focus and, beside it, where the picture walked meanwhile; contrast stays"
        f" above half over {say(depth, f' {depth.unit}')}."
    )
    return (on_page(case, _canvas(case.evidence), words),)


def _canvas(evidence: Mapping[str, Any]) -> Canvas:
    from matplotlib.figure import Figure as Canvas

    canvas = Canvas(figsize=(10.0, 4.2), layout="constrained")
    left, right = canvas.subplots(1, 2, width_ratios=(3, 2))
    _draw_contrast(left, evidence)
    _draw_walk(right, evidence)
    return canvas


def _draw_contrast(axes: Any, evidence: Mapping[str, Any]) -> None:
    step = evidence["step_um"]
    # um from the first photo where the step is known, else photos counted from 1.
    scale, start = (1.0, 1.0) if step is None else (float(step), 0.0)
    low, high, best = (scale * evidence[key] + start for key in ("low", "high", "best"))
    contrast = np.asarray(evidence["contrast"], dtype=float) / evidence["top"]
    frames = scale * np.arange(contrast.size) + start
    axes.axvspan(low, high, color="#ffb000", alpha=0.35, linewidth=0)
    axes.axhline(0.5, color="0.5", linewidth=0.8)
    axes.plot(frames, contrast, "o-", color="black", markersize=4, linewidth=1.0)
    axes.axvline(best, color="black", linestyle="--", linewidth=0.9)
    axes.set(ylim=(0, 1.1), xlabel="photo" if step is None else "way of focus, um")
    axes.set_ylabel(f"contrast at {evidence['focus_frequency']:.3g} cycles/px over its peak")


def _draw_walk(axes: Any, evidence: Mapping[str, Any]) -> None:
    path = np.array(evidence["path_px"], dtype=float)  # None becomes NaN
    contrast = np.asarray(evidence["contrast"], dtype=float)
    sharp = contrast > 0.25 * evidence["top"]
    axes.plot(path[:, 0], path[:, 1], "-", color="0.6", linewidth=0.8)
    axes.plot(path[sharp, 0], path[sharp, 1], "o-", color="black", markersize=3, linewidth=1.0)
    axes.plot(0, 0, "+", color="#b35c00", markersize=12, mew=1.5)
    span = max(1.0, float(np.nanmax(np.abs(path[sharp])))) * 1.2
    axes.set(xlim=(-span, span), ylim=(span, -span), aspect="equal",
             xlabel="px to the right of the sharpest photo", ylabel="px below it")  # fmt: skip
