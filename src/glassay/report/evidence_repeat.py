"""The evidence behind repeat exposures: correlation by frequency, and the noise spectrum."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from glassay.bench.saying.words import say
from glassay.detail.correlation import THRESHOLD, RepeatResult
from glassay.report.curves import Chart, Curve, Style, charts_html, decades, steps
from glassay.report.evidence import Case, Figure
from glassay.report.figure_file import check_figure_name, save_figure
from glassay.report.pictures import for_screen
from glassay.report.templating import render


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


# ---- for a page ----------------------------------------------------------------------------------


def figures(case: Case) -> tuple[Figure, ...]:
    """The first exposure, the correlation of the exposures, and the spectrum of their noise."""
    shown, words = Markup(), ""
    if case.is_first:
        words = f"The first of {len(case.capture.files)} exposures."
        shown = render("evidence_overlay.html", {
            "name": case.name, "alt": words, "width": case.photo.width, "height": case.photo.height,
            "source": case.embed(for_screen(case.photo)), "letter": 0.0, "paths": (), "labels": (),
        })  # fmt: skip
    charts = charts_html(_correlation_chart(case), noise_chart(case.evidence))
    return (Figure(shown + charts, words),)


def _correlation_chart(case: Case) -> Chart:
    evidence = case.evidence
    y, u = (np.array(evidence[key], dtype=float) for key in ("correlation", "correlation_u"))
    cutoff = case.part.findings["frc_cutoff"].quantity
    is_open = case.part.findings["frc_reaches_nyquist"].value is True
    marks = () if is_open else ((cutoff.value, f"detail repeats up to {say(cutoff)}"),)
    words = "Correlation of the exposures at each spatial frequency, with its 95 % band"
    words += ": it never falls below 1/7." if is_open else "; detail ends where it falls below 1/7."
    return Chart(
        f"{words} Dashed: along the width; dotted: along the height.", "cycles/px", "correlation",
        (0.0, 0.5), (-0.15, 1.05),
        (
            _curve(evidence["along_x"], "dashed"), _curve(evidence["along_y"], "dotted"),
            Curve(evidence["frequency"], y, "main", y - 2 * u, y + 2 * u),
        ),
        steps(0, 0.5, 0.1), steps(0, 1, 0.5), marks, ((THRESHOLD, "1/7"),),
    )  # fmt: skip


def noise_chart(evidence: Mapping[str, Any]) -> Chart:
    """Power of the noise along width and height."""
    lines = [np.asarray(evidence[key][1], dtype=float) for key in ("noise_x", "noise_y")]
    top = 3 * max(float(np.max(line)) for line in lines)
    low = top / 1e5
    return Chart(
        "Power of what differs between the exposures, the noise (solid: along the width, dotted:"
        " along the height). White noise is level; denoising, compression and enlargement take"
        " its end away.",
        "cycles/px", "(full scale)²", (0.0, 0.5), (low, top),
        (_curve(evidence["noise_x"], "main"), _curve(evidence["noise_y"], "dotted")),
        steps(0, 0.5, 0.1), decades(low, top), log_y=True,
    )  # fmt: skip


def _curve(points: Any, style: Style) -> Curve:
    x, y = points
    return Curve(x, y, style)
