"""The evidence behind a native pixel count: mirror traces and the noise spectrum, by side."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from glassay.report.curves import Chart, Curve, Tick, decades, steps
from glassay.report.drawing import Figure
from glassay.report.evidence import Case
from glassay.report.figure_file import check_figure_name, write_panels
from glassay.sampling import NativeResult
from glassay.sampling.mirror import NOISE_STRENGTH


def draw_native(result: NativeResult, name: str, path: Path) -> None:
    """Draw the traces and the noise spectrum of both sides into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    evidence = result.evidence_for_drawing()
    case = Case.of_result("native sampling", result.findings(), evidence, [], [name])
    case.is_first = False
    (figure,) = figures(case)
    spectra = [_power_chart(side, evidence[side]) for side in SIDES if "power" in evidence[side]]
    write_panels((*figure.panels, *spectra), path, _title(result, name))


def _title(result: NativeResult, name: str) -> str:
    stored = f"{result.width} x {result.height} px"
    if result.native_width is not None and result.native_height is not None:
        real = f"{result.native_width.value:.0f} x {result.native_height.value:.0f}"
        return f"{name}: {stored} stored, {real} native"
    return f"{name}: {stored} stored; {result.verdict}"


SIDES = ("width", "height")


def figures(case: Case) -> tuple[Figure, ...]:
    """How strongly noise and photo mirror themselves, along the width and along the height."""
    charts = tuple(_trace_chart(side, case.evidence[side]) for side in SIDES)
    if not case.is_first:
        return (Figure(charts, ""),)
    words = "The photo whose pixels are counted."
    return (Figure((case.overlay(case.photo(), words), *charts), words),)


def _trace_chart(side: str, evidence: Mapping[str, Any]) -> Chart:
    curves, top = [], 2 * NOISE_STRENGTH
    for name, style in (("photo", "dotted"), ("noise", "main")):
        if name in evidence:
            one = evidence[name]
            strength = np.maximum(np.asarray(one["strength"], dtype=float), 0.3)
            top = max(top, 2 * float(strength.max()))
            curves.append(Curve(one["frequency"], strength, style))  # type: ignore[arg-type]
    factor = evidence["factor"]
    found = f"enlargement by {factor:.3f}" if factor else "no trace of enlargement"
    said = "solid: in the noise, dotted: in the photo" if "noise" in evidence else "in the photo"
    marks = ((1 / (2 * factor), f"enlarged {factor:.3f} times"),) if factor else ()
    ticks = tuple((value, f"{value:g}") for value in (1, 10, 100, 1000) if value < top)
    return Chart(
        f"Along the {side}: {found}. How strongly the spectrum mirrors itself about each frequency"
        f" ({said}); chance stays below {NOISE_STRENGTH:g}. An 8 px compression grid has peaks of"
        " its own at multiples of 0.0625.",
        "cycles/px", "strength", (0.0, 0.5), (0.3, top), tuple(curves), steps(0, 0.5, 0.1), ticks,
        marks, ((NOISE_STRENGTH, "chance ends"),), log_y=True,
    )  # fmt: skip


def _power_chart(side: str, evidence: Mapping[str, Any]) -> Chart:
    """The spectrum of the noise, which an enlargement cuts off at what was the limit of the pixels."""
    frequency, power = (np.asarray(part, dtype=float) for part in evidence["power"])
    top = 2 * float(power.max())
    low = max(float(power.min()) / 2, top / 1e6)
    words = f"Power of the noise along the {side}, levels squared."
    marks: tuple[Tick, ...] = ()
    if evidence["factor"]:
        marks = ((1 / (2 * evidence["factor"]), "native Nyquist"),)
    elif evidence["reach"]:
        marks = ((float(evidence["reach"]), "native this far for certain"),)
    return Chart(
        words, "cycles/px", "power", (0.0, 0.5), (low, top), (Curve(frequency, power),),
        steps(0, 0.5, 0.1), decades(low, top), marks, log_y=True,
    )  # fmt: skip
