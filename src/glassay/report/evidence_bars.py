"""The evidence behind a bar target: elements over the photo, their contrast against frequency."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from glassay.bench.saying.words import say
from glassay.detail.bars_result import KINDS, BarResult
from glassay.imaging import Photo
from glassay.report.curves import Chart, Curve, Tick, even_step, steps
from glassay.report.drawing import Figure, Stroke
from glassay.report.evidence import Case
from glassay.report.figure_file import check_figure_name, write_panels
from glassay.report.strokes import outline_path

LEAST_LABELLED = 0.012
"""Elements whose period is this share of the photo's width or less are too small for their name."""


def draw_bars(photo: Photo, result: BarResult, path: Path) -> None:
    """Draw the elements over the photo, their contrast and their scales, into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    case = Case.of_result("bar target", result.findings(), result.evidence(), [photo],
                          [photo.path.name])  # fmt: skip
    (figure,) = figures(case)
    panels = (*figure.panels, _scale_chart(result))
    write_panels(panels, path, f"{photo.path.name}: {_finest_words(result)}", figure.caption)


def _finest_words(result: BarResult) -> str:
    if result.finest is None or result.finest_frequency is None:
        return f"no element reaches a contrast of {result.threshold:g}"
    return (
        f"group {result.finest.group} element {result.finest.number},"
        f" {say(result.finest_frequency, ' lp/mm')} at a contrast of {result.threshold:g}"
    )


def _corners(bars: Mapping[str, Any]) -> Any:
    """Corners of a frame around a triplet, px, (4, 2)."""
    across, along = np.array(bars["across"]), np.array(bars["along"])
    u, v = 1.5 * bars["period"] * across, 0.6 * bars["length"] * along
    middle = np.array([bars["x"], bars["y"]])
    return np.array([middle - u - v, middle + u - v, middle + u + v, middle - u + v])


def figures(case: Case) -> tuple[Figure, ...]:
    """The triplets over the photo, and their contrast against line pairs per mm."""
    elements = case.evidence["elements"]
    shown = [e[kind] for e in elements for kind in KINDS if e[kind]["contrast"] is not None]
    out = sum(bars["made_out"] for bars in shown)
    words = f"Frames: the {len(shown)} triplets located, {out} of them resolved"
    finest = next((e for e in elements if e["finest"]), None)
    if finest is not None:
        words += f"; bold: group {finest['group']}, element {finest['number']}, the finest resolved"
    chart = _contrast_chart(case.evidence)
    if not case.is_first:
        return (Figure((chart,), f"{words}."),)
    photo = case.photo()
    labels = [
        (e["level"]["x"], e["level"]["y"], f"{e['group']}-{e['number']}")
        for e in elements
        if e["level"]["contrast"] is not None
        and e["level"]["period"] > LEAST_LABELLED * photo.width
    ]
    over = case.overlay(photo, words, strokes(case.evidence), labels,
                        max(photo.width, photo.height) / 45)  # fmt: skip
    return (Figure((over, chart), f"{words}."),)


def strokes(evidence: Mapping[str, Any]) -> tuple[Stroke, ...]:
    """Frames around the triplets located, that of the finest resolved in bold."""
    frames = {"thin": "", "": ""}
    for element in evidence["elements"]:
        for kind in KINDS:
            if element[kind]["contrast"] is not None:
                frames["" if element["finest"] else "thin"] += outline_path(_corners(element[kind]))
    return tuple(frames.items())


def _contrast_chart(evidence: Mapping[str, Any]) -> Chart:
    curves, reach = [], [1.0]
    for kind, style in (("upright", "points"), ("level", "squares")):
        rows = [
            (e["frequency"], e[kind]["contrast"], 2 * e[kind]["contrast_u"])
            for e in evidence["elements"] if e[kind]["contrast"] is not None
        ]  # fmt: skip
        if rows:
            x, y, u = (np.array(column) for column in zip(*rows, strict=True))
            curves.append(Curve(x, y, style, y - u, y + u))  # type: ignore[arg-type]
            reach += [float(x.min()), float(x.max())]
    low, high = min(reach[1:], default=1.0) / 1.2, max(reach[1:], default=2.0) * 1.2
    finest = [e for e in evidence["elements"] if e["finest"]]
    marks = tuple((e["frequency"], f"{e['group']}-{e['number']}, finest") for e in finest)
    threshold = float(evidence["threshold"])
    return Chart(
        "Contrast of upright bars (dots) and level bars (squares) with 95 % intervals. Bars count as"
        f" resolved above {threshold:g}.",
        "line pairs per mm", "contrast", (low, high), (-0.1, 1.1), tuple(curves),
        _octaves(low, high), steps(0, 1, 0.5), marks,
        ((threshold, f"{threshold:g}"),), log_x=True,
    )  # fmt: skip


def _octaves(low: float, high: float) -> tuple[Tick, ...]:
    """Ticks at the powers of two."""
    powers = range(math.ceil(math.log2(low)), math.floor(math.log2(high)) + 1)
    return tuple((2.0**n, f"{2.0**n:g}") for n in powers)


def _scale_chart(result: BarResult) -> Chart:
    """The scale that each triplet alone gives, against that of all along its axis."""
    curves, reach, sizes = [], [], []
    for kind, axis, style in (
        ("upright", result.across, "points"),
        ("level", result.down, "squares"),
    ):
        rows = [
            (e.frequency_lp_mm, size.value, size.expanded)
            for e in result.elements
            if (size := result.scale_of(getattr(e, kind), e)) is not None
        ]
        if rows:
            x, y, u = (np.array(column) for column in zip(*rows, strict=True))
            curves.append(Curve(x, y, style, y - u, y + u))  # type: ignore[arg-type]
            reach += x.tolist()
            sizes += [*(y - u), *(y + u), axis.um_per_px.value]
    ends = (min(reach) / 1.2, max(reach) * 1.2)
    low, high = min(sizes), max(sizes)
    curves += [
        Curve(ends, [axis.um_per_px.value] * 2, style)  # type: ignore[arg-type]
        for axis, style in ((result.across, "main"), (result.down, "dashed"))
    ]
    return Chart(
        "The scale that each element alone gives, with 95 % intervals: along the rows (dots) and down"
        " the columns (squares). Lines: of all, along the rows (solid) and down the columns (dashed).",
        "line pairs per mm", "um per px", ends, (low, high), tuple(curves), _octaves(*ends),
        steps(low, high, even_step(high - low)), log_x=True,
    )  # fmt: skip
