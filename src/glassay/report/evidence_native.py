"""The evidence behind a native pixel count: mirror traces and the noise spectrum, by side."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from glassay.report.curves import Chart, Curve, charts_html, steps
from glassay.report.evidence import Case, Figure
from glassay.report.figure_file import check_figure_name, save_figure
from glassay.report.pictures import for_screen
from glassay.report.templating import render
from glassay.sampling import NativeResult
from glassay.sampling.decide import NOISE_STRENGTH

_COLOURS = {"noise": "black", "photo": "#b35c00"}
_STYLES = {"noise": "-", "photo": ":"}


def draw_native(result: NativeResult, name: str, path: Path) -> None:
    """Draw the traces and the noise spectrum of both sides into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    evidence = result.evidence_for_drawing()
    canvas = Canvas(figsize=(11.0, 6.4), layout="constrained")
    panels = canvas.subplots(2, 2, sharex=True, squeeze=False)
    for column, side in enumerate(("width", "height")):
        _draw_traces(panels[0, column], side, evidence[side])
        _draw_power(panels[1, column], evidence[side])
    canvas.suptitle(_title(result, name))
    save_figure(canvas, path)


def _title(result: NativeResult, name: str) -> str:
    stored = f"{result.width} x {result.height} px"
    if result.native_width is not None and result.native_height is not None:
        real = f"{result.native_width.value:.0f} x {result.native_height.value:.0f}"
        return f"{name}: {stored} stored, {real} native"
    return f"{name}: {stored} stored; {result.verdict}"


def _draw_traces(axes: Any, side: str, evidence: dict[str, Any]) -> None:
    for name in ("photo", "noise"):
        if name in evidence:
            one = evidence[name]
            axes.plot(one["frequency"], np.maximum(one["strength"], 0.1), _STYLES[name],
                      color=_COLOURS[name], linewidth=0.8, label=f"in the {name}")  # fmt: skip
    axes.axhline(NOISE_STRENGTH, color="0.5", linewidth=0.8, linestyle="--")
    axes.text(0.5, NOISE_STRENGTH * 1.05, "chance ends here", fontsize=7, ha="right", va="bottom")
    for multiple in range(1, 8):  # where an 8 px compression grid leaves traces of its own
        axes.axvline(multiple / 16, color="0.85", linewidth=2.5, zorder=0)
    if evidence["factor"]:
        mirror = 1 / (2 * evidence["factor"])
        axes.plot(mirror, axes.get_ylim()[1], "v", color="black", clip_on=False)
        axes.annotate(f"enlarged {evidence['factor']:.3f} times", (mirror, axes.get_ylim()[1]),
                      (6, -10), textcoords="offset points", fontsize=8)  # fmt: skip
    axes.set(yscale="log", ylabel="strength of mirror", title=f"along the {side}")
    axes.legend(fontsize=7, loc="lower right")


def _draw_power(axes: Any, evidence: dict[str, Any]) -> None:
    axes.set(xlim=(0, 0.5), xlabel="cycles/px (grey bars: compression grid)")
    if "power" not in evidence:
        axes.text(0.25, 0.5, "noise takes two exposures", ha="center", fontsize=9)
        axes.set_yticks([])
        return
    frequency, power = evidence["power"]
    axes.plot(frequency, np.maximum(power, 1e-6), color="black", linewidth=0.7)
    if evidence["factor"]:
        native = 1 / (2 * evidence["factor"])
        axes.axvline(native, color="black", linestyle="-.", linewidth=1.0)
        axes.text(native, 1.02, "native Nyquist", fontsize=8, ha="center", va="bottom",
                  transform=axes.get_xaxis_transform())  # fmt: skip
    elif evidence["reach"]:
        axes.axvspan(0, evidence["reach"], color="0.92", zorder=0)
        axes.text(0.01, 0.04, "native this far for certain", fontsize=8,
                  transform=axes.get_xaxis_transform())  # fmt: skip
    axes.set(yscale="log", ylabel="noise power, levels²")


# ---- for a page ----------------------------------------------------------------------------------


def figures(case: Case) -> tuple[Figure, ...]:
    """How strongly noise and photo mirror themselves, along the width and along the height."""
    shown, words = Markup(), ""
    if case.is_first:
        words = "The photo whose pixels are counted."
        shown = render("evidence_overlay.html", {
            "name": case.name, "alt": words, "width": case.photo.width, "height": case.photo.height,
            "source": case.embed(for_screen(case.photo)), "letter": 0.0, "paths": (), "labels": (),
        })  # fmt: skip
    charts = [_trace_chart(side, case.evidence[side]) for side in ("width", "height")]
    return (Figure(shown + charts_html(*charts), words),)


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
