"""The evidence behind repeat exposures: correlation by frequency, and the noise spectrum."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from glassay.bench.words import say
from glassay.detail.correlation import THRESHOLD, RepeatResult
from glassay.report.figure_file import check_figure_name, save_figure


def draw_repeat(result: RepeatResult, name: str, path: Path) -> None:
    """Draw the correlation and the noise spectrum into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    canvas = Canvas(figsize=(11.0, 4.6), layout="constrained")
    left, right = canvas.subplots(1, 2)
    _draw_correlation(left, result)
    _draw_noise(right, result)
    cutoff = say(result.frc_cutoff, " cycles/px")
    least = "at least " if result.reaches_nyquist else ""
    canvas.suptitle(f"{name}: detail repeats up to {least}{cutoff}")
    save_figure(canvas, path)


def _draw_correlation(axes: Any, result: RepeatResult) -> None:
    evidence = result.evidence()
    frequency, correlation = evidence["frequency"], evidence["correlation"]
    band = 2 * evidence["correlation_u"]
    axes.fill_between(frequency, correlation - band, correlation + band, color="#ffb000",
                      alpha=0.5, linewidth=0, label="95 % band")  # fmt: skip
    axes.plot(frequency, correlation, color="black", linewidth=1.3, label="all directions")
    axes.plot(*evidence["along_x"], "--", color="0.35", linewidth=0.9, label="along the width")
    axes.plot(*evidence["along_y"], ":", color="0.35", linewidth=1.1, label="along the height")
    axes.axhline(THRESHOLD, color="0.4", linewidth=0.8)
    axes.text(0.498, THRESHOLD, "1/7", fontsize=8, ha="right", va="bottom")
    if not result.reaches_nyquist:
        axes.plot(result.frc_cutoff.value, THRESHOLD, "o", color="black", markersize=5)
    axes.set(xlim=(0, 0.5), ylim=(-0.15, 1.05), xlabel="cycles/px", ylabel="correlation")
    axes.legend(fontsize=8)


def _draw_noise(axes: Any, result: RepeatResult) -> None:
    evidence = result.evidence()
    for key, style, label in (("noise_x", "-", "width"), ("noise_y", ":", "height")):
        frequency, power = evidence[key]
        axes.plot(frequency, np.maximum(power, 1e-14), style, color="black", linewidth=0.8,
                  label=f"along the {label}")  # fmt: skip
    axes.set(yscale="log", xlim=(0, 0.5), xlabel="cycles/px")
    axes.set_ylabel("temporal noise power, (full scale)²")
    axes.legend(fontsize=8)
