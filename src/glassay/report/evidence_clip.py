"""The evidence behind a clip's numbers: differences, light and place of its frames over time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from glassay.motion import ClipResult
from glassay.report.figure_file import check_figure_name, save_figure

MOST_POINTS = 4000
"""Frames drawn; of a longer clip every n-th, so that a figure of an hour stays small."""


def draw_clip(result: ClipResult, name: str, path: Path) -> None:
    """Draw what each frame showed into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    canvas = Canvas(figsize=(10.0, 7.2), layout="constrained")
    panels = canvas.subplots(3, 1, sharex=True)
    every = slice(None, None, max(1, result.frames // MOST_POINTS))
    _draw_differences(panels[0], result, every)
    _draw_path(panels[1], result, every)
    _draw_levels(panels[2], result, every)
    canvas.suptitle(_title(result, name))
    save_figure(canvas, path)


def _title(result: ClipResult, name: str) -> str:
    rate = "" if result.rate is None else f", {result.rate.value:.2f} different pictures a second"
    return f"{name}: {result.frames} frames{rate}"


def _draw_differences(axes: Any, result: ClipResult, every: slice) -> None:
    times, size = result.times_s[every], np.maximum(result.differences[every], 0.01)
    repeats = result.repeats[every]
    new = ~repeats
    new[0] = False  # has no predecessor
    axes.plot(times[new], size[new], ".", color="black", markersize=3, label="new pictures")
    axes.plot(times[repeats], size[repeats], "x", color="#b35c00", label="repeated frames")
    spoilt = [k for k in result.spoilt if k < result.frames]
    if spoilt:
        axes.plot(result.times_s[spoilt], np.maximum(result.differences[spoilt], 0.01), "v",
                  color="#7a3b8f", label="unlike both neighbours")  # fmt: skip
    axes.set(yscale="log", ylabel="difference, levels")
    axes.legend(fontsize=7, loc="best")


def _draw_path(axes: Any, result: ClipResult, every: slice) -> None:
    unit, size = "px", 1.0
    if result.pixel_size is not None:
        unit, size = "um", result.pixel_size.value
    shown = ~result.repeats
    times, path = result.times_s[shown][every], result.path_px[shown][every] * size
    for axis, (words, style) in enumerate((("along x", "-"), ("along y", "--"))):
        axes.plot(times, path[:, axis], style, color="black", linewidth=0.8, label=words)
    axes.set(ylabel=f"place, {unit}")
    axes.legend(fontsize=7, loc="best")


def _draw_levels(axes: Any, result: ClipResult, every: slice) -> None:
    levels = result.levels[every]
    axes.plot(result.times_s[every], 100 * levels, color="black", linewidth=0.8)
    axes.set(ylabel="mean light, % of full scale", xlabel="s")
    if result.truncated:
        axes.axvline(result.times_s[-1], color="#b35c00", linestyle="--", linewidth=1.0)
        axes.text(result.times_s[-1], axes.get_ylim()[0], "cut off ", fontsize=8, ha="right",
                  va="bottom")  # fmt: skip
