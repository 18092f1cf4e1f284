"""The evidence behind noise: variance against light, and the line through it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.noise import NoiseResult
from glassay.report.curves import Chart, Curve, even_step, power_of, steps
from glassay.report.drawing import Figure
from glassay.report.evidence import Case
from glassay.report.figure_file import write_figures

Array = npt.NDArray[np.float64]


def draw_noise(result: NoiseResult, name: str, path: Path) -> None:
    """Draw noise against light into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    case = Case.of_result("noise", result.findings(), result.evidence(), [], [name])
    write_figures(figures(case), path, name)


def figures(case: Case) -> tuple[Figure, ...]:
    """Variance against light, with the line where one was laid."""
    words = "Variance of the noise against the light"
    if case.evidence["slope"] is not None:
        words += ", and the line that photons make of it"
    return (Figure((_chart(case.evidence),), words + "."),)


def _chart(evidence: Mapping[str, Any]) -> Chart:
    mean, variance, u = (_numbers(evidence, key) for key in ("mean", "variance", "variance_u"))
    has_line, smoothed = evidence["slope"] is not None, bool(evidence["is_smoothed"])
    highest = [float(variance.max())]
    words = "Dots: single px, with 95 % intervals."
    more: list[tuple[str, Array, Array, Array | None]] = []
    if has_line and smoothed:
        at, power, power_u = (
            _numbers(evidence, key) for key in ("line_mean", "line_variance", "line_u")
        )
        more.append(("squares", at, power, power_u))
        words += " Squares: large areas, times their px. Dashed: the line of the areas."
    elif has_line:
        words += " Dashed: the line, rounding taken out."
    reach = max(1.05 * float(mean.max()), 0.1)
    if has_line:
        light = np.linspace(0, reach, 50)
        more.append(("dashed", light, evidence["slope"] * light + evidence["floor"] ** 2, None))
    highest += [float(y.max()) for _, _, y, _ in more]
    # Variances are tiny numbers: they stand in the power of ten that makes them readable.
    power_of_ten = math.floor(math.log10(max(highest))) if max(highest) > 0 else 0
    unit = 10.0**power_of_ten
    top = 1.15 * max(highest) / unit if max(highest) > 0 else 1.0
    rows = [("points", mean, variance, u), *more]
    curves = tuple(
        Curve(x, y / unit, style) if spread is None  # type: ignore[arg-type]
        else Curve(x, y / unit, style, (y - 2 * spread) / unit, (y + 2 * spread) / unit)  # type: ignore[arg-type]
        for style, x, y, spread in rows
    )  # fmt: skip
    return Chart(
        words, "mean light, shares of full scale",
        f"variance, {power_of(power_of_ten)} of full scale squared",
        (0, reach), (0, top), curves, steps(0, reach, even_step(reach)),
        steps(0, top, even_step(top)),
    )  # fmt: skip


def _numbers(evidence: Mapping[str, Any], key: str) -> Array:
    return np.asarray(evidence[key], dtype=float)
