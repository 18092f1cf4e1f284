"""The evidence behind an edge response: edges over the photo, their curves beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from glassay.bench.saying.words import say
from glassay.detail.edge_result import EdgeResponse
from glassay.detail.wiring_response import WiringResponse
from glassay.imaging import Photo
from glassay.quantity import Quantity
from glassay.report.curves import Chart, Curve, charts_html, steps
from glassay.report.evidence import Case, Figure
from glassay.report.figure_file import check_figure_name, save_figure
from glassay.report.numbers import counted
from glassay.report.pictures import for_screen
from glassay.report.templating import render

USED, CASING, UNUSED = "#ffb000", "#2b1d00", "#b8c4cc"
"""Lines over photos are light with a dark casing, so that they show on bright and on dark ground.
Edges not used are dashed as well as grey."""
MOST_UNUSED = 40
"""Edges not used that are drawn, so that they do not bury the photo."""


def draw_edges(photo: Photo, response: EdgeResponse, path: Path) -> None:
    """Draw the edges over the photo and the curves beside it, into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    evidence = response.evidence()
    canvas = Canvas(figsize=(12.0, 6.4), layout="constrained")
    grid = canvas.add_gridspec(2, 2, width_ratios=[1.4, 1.0])
    _draw_over_photo(canvas.add_subplot(grid[:, 0]), photo, evidence)
    _draw_curves(canvas.add_subplot(grid[0, 1]), evidence, response)
    _draw_spreads(canvas.add_subplot(grid[1, 1]), evidence)
    canvas.suptitle(f"{photo.path.name}: {place_in_words(0.5, response.frequency_50)}"
                    f"{' cycles/px' if response.frequency_50.value <= NYQUIST else ''}")  # fmt: skip
    save_figure(canvas, path)


def draw_wiring(photo: Photo, response: WiringResponse, path: Path) -> None:
    """The same for the pieces of a chip's wiring, which have one curve in common."""
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    curve = {**response.evidence(), "edges": [], "rejected": []}
    canvas = Canvas(figsize=(12.0, 5.0), layout="constrained")
    left, right = canvas.subplots(1, 2, width_ratios=[1.4, 1.0])
    _draw_over_photo(left, photo, {**curve, "edges": [{"ends": ends} for ends in response.ends]})
    _draw_curves(right, curve, response)
    canvas.suptitle(f"{photo.path.name}: {place_in_words(0.5, response.frequency_50)}")
    save_figure(canvas, path)


def _draw_over_photo(axes: Any, photo: Photo, evidence: Mapping[str, Any]) -> None:
    from matplotlib.collections import LineCollection
    from matplotlib.patheffects import withStroke

    cased = [withStroke(linewidth=3.0, foreground=CASING)]
    frame = (-0.5, photo.width - 0.5, photo.height - 0.5, -0.5)
    axes.imshow(for_screen(photo, 1600), extent=frame, cmap="gray", vmin=0, vmax=255)
    unused = _segments(evidence["rejected"][:MOST_UNUSED])
    axes.add_collection(LineCollection(unused, colors=UNUSED, linewidths=0.8, linestyles="dashed"))
    used = _segments(evidence["edges"])
    axes.add_collection(LineCollection(used, colors=USED, linewidths=1.4, path_effects=cased))
    for number, segment in enumerate(used, start=1):
        axes.text(*segment.mean(axis=0), str(number), color=USED, path_effects=cased,
                  fontsize=8, ha="left", va="bottom")  # fmt: skip
    axes.set(xlim=frame[:2], ylim=frame[2:], xticks=[], yticks=[])
    axes.set_xlabel(
        f"{counted(len(used), 'edge')} used (numbered), {len(evidence['rejected'])} not used (dashed)"
    )


def _segments(edges: Sequence[Mapping[str, Any]]) -> list[Any]:
    return [np.asarray(edge["ends"]).reshape(2, 2) for edge in edges]


NYQUIST = 0.5
"""Highest frequency, cycles/px, that pixels carry. An edge that crosses them at a slant is sampled
more finely, so that its curve goes on; no picture of theirs holds such detail."""

_STYLES = {"x": "-", "y": "--", "diagonal": ":"}


def _draw_curves(
    axes: Any, evidence: Mapping[str, Any], response: EdgeResponse | WiringResponse
) -> None:
    frequency = evidence["frequency"]
    for edge in evidence["edges"]:
        style = _STYLES[edge["direction"]]
        axes.plot(frequency, edge["modulation"], style, color="0.65", linewidth=0.6)
    axes.fill_between(frequency, evidence["low"], evidence["high"], color=USED, alpha=0.4,
                      linewidth=0, label="95 % band")  # fmt: skip
    axes.plot(frequency, evidence["modulation"], color="black", linewidth=1.4, label="median")
    for level, found in ((0.5, response.frequency_50), (0.1, response.frequency_10)):
        if found is not None:
            axes.plot(found.value, level, "o", color="black", markersize=4)
            # A label stays within the frame, and clear of the curve that falls to its right.
            left = found.value > 0.6 * _upper(evidence)
            axes.annotate(place_in_words(level, found), (found.value, level),
                          (-6, -4) if left else (6, 4), textcoords="offset points", fontsize=8,
                          ha="right" if left else "left", va="top" if left else "bottom",
                          bbox={"facecolor": "white", "alpha": 0.7, "linewidth": 0})  # fmt: skip
    axes.axvline(NYQUIST, color="0.4", linewidth=0.8, linestyle="dashdot")
    axes.text(NYQUIST - 0.005, 0.02, "Nyquist", fontsize=8, va="bottom", ha="right", rotation=90)
    top = max(1.1, float(np.max(evidence["modulation"])) * 1.05)
    axes.set(xlim=(0, _upper(evidence)), ylim=(0, top))
    axes.set(xlabel="cycles/px (thin: single edges; dashed across y, dotted diagonal)",
             ylabel="modulation, pixel included")  # fmt: skip
    axes.legend(fontsize=8)


def place_in_words(level: float, found: Quantity) -> str:
    """Where the curve falls to `level`: a frequency, or that it lies beyond the pixels' own limit."""
    words = f"{level * 100:.0f} % "
    return words + (f"at {say(found)}" if found.value <= NYQUIST else "beyond Nyquist")


def _upper(evidence: Mapping[str, Any]) -> float:
    gone = np.flatnonzero(np.asarray(evidence["modulation"]) < 0.04)
    end = evidence["frequency"][int(gone[0])] if gone.size else 1.0
    return float(min(max(0.55, 1.2 * end), 1.0))


def _draw_spreads(axes: Any, evidence: Mapping[str, Any]) -> None:
    for edge in evidence["edges"]:
        style = _STYLES[edge["direction"]]
        axes.plot(edge["position"], edge["spread"], style, color="0.3", linewidth=0.6)
    for level in (0.0, 1.0):
        axes.axhline(level, color="0.6", linewidth=0.8)
    limit = _half_width(evidence)
    axes.set(xlim=(-limit, limit), ylim=(-0.25, 1.25))
    axes.set(xlabel="px across the edge, dark to bright", ylabel="edge spread")


def _half_width(evidence: Mapping[str, Any]) -> float:
    """Px to either side of the edges that are drawn: four times their usual rise."""
    widths = []
    for edge in evidence["edges"]:
        position, spread = np.asarray(edge["position"]), np.asarray(edge["spread"])
        rise = position[(spread > 0.05) & (spread < 0.95)]
        widths.append(float(np.ptp(rise)) if rise.size else 0.0)
    return float(np.clip(4 * np.median(widths), 5.0, 60.0))


# ---- for a page ----------------------------------------------------------------------------------


def figures(case: Case) -> tuple[Figure, ...]:
    """The edges over the photo (unless another drawing has shown it), and their curves."""
    evidence = case.evidence
    edges, rejected = evidence["edges"], evidence["rejected"]
    words = f"Bold: {counted(len(edges), 'edge')} used."
    if rejected:
        words += f" Thin: {len(rejected)} found and not used."
    charts = charts_html(_response_chart(case), _spread_chart(evidence))
    html = (_over_photo(case, words) if case.is_first else Markup()) + charts
    return (Figure(html, words if case.is_first else ""),)


def _over_photo(case: Case, words: str) -> Markup:
    photo, evidence = case.photo, case.evidence
    used = _segments(evidence["edges"])
    return render("evidence_overlay.html", {
        "name": case.name, "alt": words, "width": photo.width, "height": photo.height,
        "source": case.embed(for_screen(photo)), "letter": max(photo.width, photo.height) / 40,
        "paths": (("thin", _path(_segments(evidence["rejected"][:MOST_UNUSED]))),
                  ("", _path(used))),
        "labels": (),
    })  # fmt: skip


def _path(segments: Sequence[Any]) -> str:
    return "".join(f"M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" for (x0, y0), (x1, y1) in segments)


def _response_chart(case: Case) -> Chart:
    evidence = case.evidence
    found = {key: f.value for key, f in case.part.findings.items() if isinstance(f.value, Quantity)}
    marks = [(NYQUIST, "Nyquist")] if _upper(evidence) > NYQUIST else []
    marks += [
        (found[key].value, place_in_words(level, found[key]))
        for key, level in (("frequency_50", 0.5), ("frequency_10", 0.1))
        if key in found and found[key].value < _upper(evidence)
    ]
    top = max(1.1, float(np.max(evidence["modulation"])) * 1.05)
    thin = tuple(
        Curve(evidence["frequency"], edge["modulation"], "thin") for edge in evidence["edges"]
    )
    median = Curve(
        evidence["frequency"], evidence["modulation"], "main", evidence["low"], evidence["high"]
    )
    return Chart(
        "Contrast left at each spatial frequency, pixel included: each edge (thin), the median"
        " (bold) and its 95 % band.",
        "cycles/px", "modulation", (0.0, _upper(evidence)), (0.0, top), (*thin, median),
        steps(0, _upper(evidence), 0.1), steps(0, top, 0.5), tuple(sorted(marks)),
    )  # fmt: skip


def _spread_chart(evidence: Mapping[str, Any]) -> Chart:
    limit = _half_width(evidence)
    step = max(1.0, round(limit / 3))
    curves = tuple(Curve(e["position"], e["spread"], "thin") for e in evidence["edges"])
    within = tuple(
        Curve(*_within(curve.x, curve.y, limit), style="thin") for curve in curves
    )  # fmt: skip
    return Chart(
        "Light across each edge, dark to bright; what rises above 1 is sharpening.",
        "px across the edge", "share of the step", (-limit, limit), (-0.25, 1.25), within,
        steps(-limit, limit, step), ((0.0, "0"), (1.0, "1")),
    )  # fmt: skip


def _within(x: Any, y: Any, limit: float) -> tuple[Any, Any]:
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    inside = np.abs(x) <= limit
    return x[inside], y[inside]
