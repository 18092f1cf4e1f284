"""The evidence behind repeat exposures: correlation by frequency, and the noise spectrum."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from glassay.bench.saying.words import say
from glassay.detail.correlation import THRESHOLD
from glassay.detail.repeat_result import RepeatResult
from glassay.report.curves import Chart, Curve, Style, decades, steps
from glassay.report.drawing import Figure
from glassay.report.evidence import Case
from glassay.report.figure_file import check_figure_name, write_figures


def draw_repeat(result: RepeatResult, name: str, path: Path) -> None:
    """Draw the correlation and the noise spectrum into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    case = Case.of_result("repeated exposures", result.findings(), result.evidence(), [], [name])
    case.is_first = False
    if result.frc_cutoff is None:
        end = "where detail ends is unknown"
    else:
        least = "at least " if result.reaches_nyquist else ""
        end = f"detail repeats up to {least}{say(result.frc_cutoff, ' cycles/px')}"
    write_figures(figures(case), path, f"{name}: {end}")


def figures(case: Case) -> tuple[Figure, ...]:
    """The first exposure, the correlation of the exposures, and the spectrum of their noise."""
    charts = (_correlation_chart(case), noise_chart(case.evidence))
    if not case.is_first:
        return (Figure(charts, ""),)
    words = f"The first of {len(case.files)} exposures."
    return (Figure((case.overlay(case.photo(), words), *charts), words),)


def _correlation_chart(case: Case) -> Chart:
    evidence = case.evidence
    y, u = (np.array(evidence[key], dtype=float) for key in ("correlation", "correlation_u"))
    end = case.findings.get("frc_cutoff")
    is_open = end is None or case.findings["frc_reaches_nyquist"].value is True
    marks = () if end is None or is_open else ((end.quantity.value, f"up to {say(end.quantity)}"),)
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
