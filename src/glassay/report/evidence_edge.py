"""The evidence behind an edge response: edges over the photo, their curves below it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from glassay.bench.saying.words import say
from glassay.detail.edge_result import EdgeResponse
from glassay.detail.wiring_response import WiringResponse
from glassay.imaging import Photo
from glassay.optics.limits import NYQUIST
from glassay.quantity import Quantity
from glassay.report.curves import Chart, Curve, steps
from glassay.report.drawing import Figure, Stroke
from glassay.report.evidence import Case
from glassay.report.figure_file import check_figure_name, write_figures
from glassay.report.numbers import counted
from glassay.report.strokes import line_path

MOST_UNUSED = 40
"""Edges not used that are drawn, so that they do not bury the photo."""


def draw_edges(photo: Photo, response: EdgeResponse, path: Path) -> None:
    """Draw the edges over the photo and their curves, into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    case = Case.of_result("edge response", response.findings(), response.evidence(), [photo],
                          [photo.path.name])  # fmt: skip
    unit = " cycles/px" if response.frequency_50.value <= NYQUIST else ""
    title = f"{photo.path.name}: {place_in_words(0.5, response.frequency_50)}{unit}"
    write_figures(figures(case), path, title)


def draw_wiring(photo: Photo, response: WiringResponse, path: Path) -> None:
    """The same for the pieces of a chip's wiring, which have one curve in common."""
    check_figure_name(path)
    case = Case.of_result("response of wiring", response.findings(), response.evidence(), [photo],
                          [photo.path.name])  # fmt: skip
    title = f"{photo.path.name}: {place_in_words(0.5, response.frequency_50)}"
    write_figures(wiring_figures(case), path, title)


def place_in_words(level: float, found: Quantity) -> str:
    """Where the curve falls to `level`: a frequency, or that it lies beyond the pixels' own limit.

    An edge that crosses the pixels at a slant is sampled more finely than they are, so that its
    curve goes on beyond; no picture of theirs holds such detail.
    """
    words = f"{level * 100:.0f} % "
    return words + (f"at {say(found)}" if found.value <= NYQUIST else "beyond Nyquist")


def _upper(evidence: Mapping[str, Any]) -> float:
    gone = np.flatnonzero(np.asarray(evidence["modulation"]) < 0.04)
    end = evidence["frequency"][int(gone[0])] if gone.size else 1.0
    return float(min(max(0.55, 1.2 * end), 1.0))


def _half_width(evidence: Mapping[str, Any]) -> float:
    """Px to either side of the edges that are drawn: four times their usual rise."""
    widths = []
    for edge in evidence["edges"]:
        position, spread = np.asarray(edge["position"]), np.asarray(edge["spread"])
        rise = position[(spread > 0.05) & (spread < 0.95)]
        widths.append(float(np.ptp(rise)) if rise.size else 0.0)
    return float(np.clip(4 * np.median(widths), 5.0, 60.0))


def figures(case: Case) -> tuple[Figure, ...]:
    """The edges over the photo (unless another drawing has shown it), and their curves."""
    evidence = case.evidence
    edges, rejected = evidence["edges"], evidence["rejected"]
    words = f"Bold: {counted(len(edges), 'edge')} used."
    if rejected:
        words += f" Thin: {len(rejected)} found and not used."
    charts = (_response_chart(case), _spread_chart(evidence))
    if not case.is_first:
        return (Figure(charts, ""),)
    photo = case.photo()
    shown = case.overlay(
        photo, words, strokes(evidence), letter=max(photo.width, photo.height) / 40
    )
    return (Figure((shown, *charts), words),)


def wiring_figures(case: Case) -> tuple[Figure, ...]:
    """The pieces of wiring over the photo (unless another drawing has shown it), and their curve."""
    evidence = case.evidence
    words = f"Bold: {counted(len(evidence['pieces']), 'piece')} of wiring used."
    chart = _response_chart(case)
    if not case.is_first:
        return (Figure((chart,), ""),)
    photo = case.photo()
    pieces: tuple[Stroke, ...] = (("", line_path(evidence["pieces"])),)
    shown = case.overlay(photo, words, pieces, letter=max(photo.width, photo.height) / 40)
    return (Figure((shown, chart), words),)


def strokes(evidence: Mapping[str, Any]) -> tuple[Stroke, ...]:
    """The edges not used (thin) and those used."""
    thin, bold = (
        line_path([edge["ends"] for edge in edges])
        for edges in (evidence["rejected"][:MOST_UNUSED], evidence["edges"])
    )
    return ("thin", thin), ("", bold)


def _response_chart(case: Case) -> Chart:
    evidence = case.evidence
    found = {key: f.value for key, f in case.findings.items() if isinstance(f.value, Quantity)}
    marks = [(NYQUIST, "Nyquist")] if _upper(evidence) > NYQUIST else []
    marks += [
        (found[key].value, place_in_words(level, found[key]))
        for key, level in (("frequency_50", 0.5), ("frequency_10", 0.1))
        if key in found and found[key].value < _upper(evidence)
    ]
    top = max(1.1, float(np.max(evidence["modulation"])) * 1.05)
    thin = tuple(
        Curve(evidence["frequency"], edge["modulation"], "thin")
        for edge in evidence.get("edges", ())
    )
    median = Curve(
        evidence["frequency"], evidence["modulation"], "main", evidence["low"], evidence["high"]
    )
    return Chart(
        "Contrast left at each spatial frequency, pixel included: "
        + ("each edge (thin), the median (bold)" if thin else "the median (bold)")
        + " and its 95 % band.",
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
