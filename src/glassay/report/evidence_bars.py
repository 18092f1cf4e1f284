"""The evidence behind a bar target: elements over the photo, their contrast against frequency."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from glassay.bench.saying.words import say
from glassay.detail.bars_result import KINDS, BarResult
from glassay.imaging import Photo
from glassay.report.curves import Chart, Curve, charts_html, steps
from glassay.report.evidence import Case, Figure
from glassay.report.figure_file import check_figure_name, save_figure
from glassay.report.pictures import for_screen
from glassay.report.templating import render

FOUND, FINEST, CASING = "#35d0ba", "#ffb000", "#06251f"
"""Lines over photos are light with a dark casing, so that they show on bright and on dark ground.
The finest element is drawn thicker as well as in another colour."""
MARKS = {"upright": "o", "level": "s"}


def draw_bars(photo: Photo, result: BarResult, path: Path) -> None:
    """Draw the elements over the photo and the contrast curve beside it, into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    evidence = result.evidence()
    canvas = Canvas(figsize=(12.0, 6.4), layout="constrained")
    grid = canvas.add_gridspec(2, 2, width_ratios=[1.2, 1.0])
    _draw_over_photo(canvas.add_subplot(grid[:, 0]), photo, evidence)
    _draw_contrast(canvas.add_subplot(grid[0, 1]), evidence)
    _draw_scales(canvas.add_subplot(grid[1, 1]), result)
    canvas.suptitle(f"{photo.path.name}: {_finest_words(result)}")
    save_figure(canvas, path)


def _finest_words(result: BarResult) -> str:
    if result.finest is None or result.finest_frequency is None:
        return f"no element reaches a contrast of {result.threshold:g}"
    return (
        f"group {result.finest.group} element {result.finest.number},"
        f" {say(result.finest_frequency, ' lp/mm')} at a contrast of {result.threshold:g}"
    )


def _draw_over_photo(axes: Any, photo: Photo, evidence: Mapping[str, Any]) -> None:
    from matplotlib.patheffects import withStroke

    frame = (-0.5, photo.width - 0.5, photo.height - 0.5, -0.5)
    axes.imshow(for_screen(photo, 1600), extent=frame, cmap="gray", vmin=0, vmax=255)
    for element in evidence["elements"]:
        colour = FINEST if element["finest"] else FOUND
        width = 2.2 if element["finest"] else 1.0
        cased = [withStroke(linewidth=width + 1.4, foreground=CASING)]
        for kind in KINDS:
            bars = element[kind]
            if bars["contrast"] is None:
                continue
            style = "-" if bars["made_out"] else ":"
            axes.plot(*_outline(bars), style, color=colour, linewidth=width, path_effects=cased)
        level = element["level"]
        if level["contrast"] is not None and level["period"] > 0.012 * photo.width:
            axes.text(level["x"], level["y"], f"{element['group']}-{element['number']}",
                      color=colour, path_effects=cased, fontsize=7, ha="center",
                      va="center")  # fmt: skip
    axes.set(xlim=frame[:2], ylim=frame[2:], xticks=[], yticks=[])
    axes.set_xlabel("group-element; dotted: bars not made out; thick: finest resolved")


def _outline(bars: Mapping[str, Any]) -> tuple[Any, Any]:
    """A frame around a triplet, px."""
    across, along = np.array(bars["across"]), np.array(bars["along"])
    u, v = 1.5 * bars["period"] * across, 0.6 * bars["length"] * along
    middle = np.array([bars["x"], bars["y"]])
    corners = np.array([middle - u - v, middle + u - v, middle + u + v, middle - u + v,
                        middle - u - v])  # fmt: skip
    return corners[:, 0], corners[:, 1]


def _draw_contrast(axes: Any, evidence: Mapping[str, Any]) -> None:
    for kind, words in (("upright", "upright bars"), ("level", "level bars")):
        points = [
            (e["frequency"], e[kind]["contrast"], 2 * e[kind]["contrast_u"])
            for e in evidence["elements"] if e[kind]["contrast"] is not None
        ]  # fmt: skip
        if points:
            frequency, contrast, error = zip(*points, strict=True)
            axes.errorbar(frequency, contrast, error, marker=MARKS[kind], markersize=4,
                          linewidth=1.0, capsize=2, label=words,
                          color="black" if kind == "upright" else "0.45")  # fmt: skip
    axes.axhline(evidence["threshold"], color="0.3", linestyle="dashed", linewidth=0.9)
    for element in evidence["elements"]:
        if element["finest"]:
            axes.axvline(element["frequency"], color=FINEST, linewidth=1.6)
    axes.axhline(0, color="0.7", linewidth=0.6)
    axes.set_xscale("log", base=2)
    axes.set(xlabel="line pairs per mm", ylabel="contrast")
    axes.xaxis.set_major_formatter("{x:g}")
    axes.legend(fontsize=8)


def _draw_scales(axes: Any, result: BarResult) -> None:
    for kind, axis, words in (
        ("upright", result.across, "along the rows"), ("level", result.down, "down the columns"),
    ):  # fmt: skip
        points = [
            (e.frequency_lp_mm, size.value, size.expanded)
            for e in result.elements
            if (size := result.scale_of(getattr(e, kind), e)) is not None
        ]
        colour = "black" if kind == "upright" else "0.45"
        frequency, size_um, error = zip(*points, strict=True)
        axes.errorbar(frequency, size_um, error, fmt=MARKS[kind], markersize=4, capsize=2,
                      color=colour, linewidth=0.8, label=words)  # fmt: skip
        axes.axhline(axis.um_per_px.value, color=colour, linewidth=0.8)
    axes.set_xscale("log", base=2)
    axes.xaxis.set_major_formatter("{x:g}")
    axes.set(xlabel="line pairs per mm", ylabel="um per px, each element")
    axes.legend(fontsize=8)


# ---- for a page ----------------------------------------------------------------------------------


def figures(case: Case) -> tuple[Figure, ...]:
    """The triplets over the photo, and their contrast against line pairs per mm."""
    elements = case.evidence["elements"]
    shown = [e[kind] for e in elements for kind in KINDS if e[kind]["contrast"] is not None]
    out = sum(bars["made_out"] for bars in shown)
    words = f"Frames: the {len(shown)} triplets located, {out} of them resolved"
    finest = next((e for e in elements if e["finest"]), None)
    if finest is not None:
        words += f"; bold: group {finest['group']}, element {finest['number']}, the finest resolved"
    photo = _over_page_photo(case, words) if case.is_first else Markup()
    return (Figure(photo + charts_html(_contrast_chart(case)), f"{words}."),)


def _over_page_photo(case: Case, words: str) -> Markup:
    photo, elements = case.photo, case.evidence["elements"]
    frames = {"thin": "", "": ""}
    labels = []
    for element in elements:
        for kind in KINDS:
            if element[kind]["contrast"] is not None:
                frames["" if element["finest"] else "thin"] += _frame(element[kind])
        level = element["level"]
        if level["contrast"] is not None and level["period"] > 0.012 * photo.width:
            labels.append((level["x"], level["y"], f"{element['group']}-{element['number']}"))
    return render("evidence_overlay.html", {
        "name": case.name, "alt": words, "width": photo.width, "height": photo.height,
        "source": case.embed(for_screen(photo)), "letter": max(photo.width, photo.height) / 45,
        "paths": tuple(frames.items()), "labels": labels,
    })  # fmt: skip


def _frame(bars: Mapping[str, Any]) -> str:
    x, y = _outline(bars)
    points = [f"{a:.1f} {b:.1f}" for a, b in zip(x[:-1], y[:-1], strict=True)]
    return f"M{'L'.join(points)}Z"


def _contrast_chart(case: Case) -> Chart:
    evidence = case.evidence
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
    octaves = range(math.ceil(math.log2(low)), math.floor(math.log2(high)) + 1)
    finest = [e for e in evidence["elements"] if e["finest"]]
    marks = tuple((e["frequency"], f"{e['group']}-{e['number']}, finest") for e in finest)
    threshold = float(evidence["threshold"])
    return Chart(
        "Contrast of upright bars (dots) and level bars (squares) with 95 % intervals. Bars count as"
        f" resolved above {threshold:g}.",
        "line pairs per mm", "contrast", (low, high), (-0.1, 1.1), tuple(curves),
        tuple((2.0**n, f"{2.0**n:g}") for n in octaves), steps(0, 1, 0.5), marks,
        ((threshold, f"{threshold:g}"),), log_x=True,
    )  # fmt: skip
