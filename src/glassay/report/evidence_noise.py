"""The evidence behind noise: variance against light, and the line through it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from glassay.noise import NoiseResult
from glassay.report.canvas import on_page
from glassay.report.evidence import Case, Figure
from glassay.report.figure_file import check_figure_name, save_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas


def draw_noise(result: NoiseResult, name: str, path: Path) -> None:
    """Draw noise against light into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    canvas = _canvas(result.evidence())
    canvas.suptitle(name)
    save_figure(canvas, path)


def figures(case: Case) -> tuple[Figure, ...]:
    """Variance against light, with the line where one was laid."""
    words = "Variance of the noise against the light, in shares of full scale"
    if case.evidence["slope"] is not None:
        words += ", and the line that photons make of it"
    return (on_page(case, _canvas(case.evidence), words + "."),)


def _canvas(evidence: Mapping[str, Any]) -> Canvas:
    from matplotlib.figure import Figure as Canvas

    canvas = Canvas(figsize=(7.0, 4.4), layout="constrained")
    axes = canvas.subplots()
    mean, variance = (np.asarray(evidence[key], dtype=float) for key in ("mean", "variance"))
    u = np.asarray(evidence["variance_u"], dtype=float)
    axes.errorbar(mean, variance, 2 * u, fmt="o", color="black", markersize=4, linewidth=0.8,
                  label="single px, 95 %")  # fmt: skip
    top = 1.2 * float(variance.max())
    if evidence["from_blocks"] and evidence["slope"] is not None:
        at, power = (np.asarray(evidence[k], dtype=float) for k in ("line_mean", "line_variance"))
        error = 2 * np.asarray(evidence["line_u"], dtype=float)
        axes.errorbar(at, power, error, fmt="s", mfc="none", color="#b35c00", markersize=5,
                      linewidth=0.8, label="8 px blocks, times their 64 px, 95 %")  # fmt: skip
        top = max(top, 1.1 * float(power.max()))
    if evidence["slope"] is not None:
        light = np.linspace(0, max(1.05 * float(mean.max()), 0.1), 50)
        line = evidence["slope"] * light + evidence["floor"] ** 2
        label = "line of 8 px blocks" if evidence["from_blocks"] else "line (rounding taken out)"
        axes.plot(light, line, "--", color="#b35c00", linewidth=1.4, label=label)
        top = max(top, 1.1 * float(line.max()))
    axes.set(xlim=(0, None), ylim=(0, top), xlabel="mean light, shares of full scale",
             ylabel="variance, (full scale)²")  # fmt: skip
    axes.legend(fontsize=8, loc="upper left")
    return canvas
