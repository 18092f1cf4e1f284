"""The evidence behind what changes across the field: maps of light, distortion and colour."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from glassay.bench.saying.words import say, short
from glassay.field import FieldResult
from glassay.report.curves import even_step, steps
from glassay.report.evidence import Case, Figure
from glassay.report.figure_file import save_figure
from glassay.report.pictures import for_screen
from glassay.report.templating import render

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas

Array = npt.NDArray[np.float64]

ARROW_SHARE = 0.09
"""Length of the longest arrow drawn, as a share of the picture's width."""
LEAST_RANGE = 2.0
"""Range of light, percent of the centre's, from which on lines of equal light are drawn."""
EVENNESS, DISTORTION, COLOUR = "evenness", "distortion", "lateral colour"


def draw_field(result: FieldResult, name: str, path: Path) -> None:
    """Draw whatever was measured into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    parts = {
        key: part.evidence()
        for key, part in (
            (EVENNESS, result.evenness), (DISTORTION, result.distortion), (COLOUR, result.colour)
        )
        if part is not None
    }  # fmt: skip
    save_figure(_canvas(parts), path, title=name)


def figures(case: Case) -> tuple[Figure, ...]:
    """One part over the photo: lines of equal light, or arrows for what is moved."""
    found, evidence = case.part.findings, case.evidence
    labels: list[tuple[float, float, str]] = []
    if case.part.method == EVENNESS:
        lines, labels = _lines_of_equal_light(evidence)
        spots = "".join(_ring(spot, evidence["shape"]) for spot in evidence["hot_spots"])
        paths = [("", lines), ("", spots)]
        words = (
            "Light across the field over that at its centre; lines join places of equal light"
            if lines
            else "Light across the field over that at its centre departs by less than 2 %"
        ) + ("; rings mark hot spots." if spots else ".")
    elif case.part.method == DISTORTION:
        points, moved = (_pairs(evidence[key]) for key in ("points", "moved"))
        enlarged = _enlarged(moved, evidence["shape"])
        paths = [("", _arrows(points, moved, enlarged))]
        corner = say(found["distortion_corner"].quantity, " %")
        words = (
            f"How far distortion moves points, {short(enlarged)} times enlarged; {corner} at the"
            " corner."
        )
    else:
        red, blue = (_pairs(evidence[key]) for key in ("red", "blue"))
        enlarged = _enlarged(np.concatenate([red, blue]), evidence["shape"])
        paths = [
            (key, _arrows(_pairs(evidence[f"{key}_places"]), moved, enlarged))
            for key, moved in (("red", red), ("blue", blue))
        ]
        spread = say(found["lateral_colour"].quantity, " px")
        words = (
            "How far red (solid) and blue (dashed) edges lie from the green ones,"
            f" {short(enlarged)} times enlarged; {spread} between the outermost colours in the"
            " corners."
        )
    return (Figure(_over_photo(case, words, paths, labels), words),)


def _over_photo(
    case: Case, words: str, paths: Sequence[tuple[str, str]], labels: Sequence[Any]
) -> Markup:
    height, width = case.evidence["shape"]
    return render("evidence_overlay.html", {
        "name": case.name, "alt": words, "width": width, "height": height,
        "source": case.embed(for_screen(case.photo)), "letter": max(width, height) / 45,
        "paths": paths, "labels": labels,
    })  # fmt: skip


def _lines_of_equal_light(
    evidence: Mapping[str, Any],
) -> tuple[str, list[tuple[float, float, str]]]:
    """SVG path data at whole steps of percent, and the words on each line."""
    from matplotlib.figure import Figure as Canvas

    x, y, light = _light(evidence)
    low, high = float(np.nanmin(light)), float(np.nanmax(light))
    if high - low <= LEAST_RANGE:
        return "", []
    levels = [at for at, _ in steps(low, high, even_step(high - low, 6)) if low < at < high]
    pieces = Canvas().subplots().contour(x, y, light, levels=levels).allsegs
    path, labels = "", []
    for level, found in zip(levels, pieces, strict=True):
        joined = [f"{a:.0f} {b:.0f}" for line in found for a, b in line]
        starts = np.cumsum([0, *(len(line) for line in found)])
        path += "".join(
            "M" + "L".join(joined[a:b]) for a, b in itertools.pairwise(starts) if b - a > 1
        )
        longest = max(found, key=len, default=np.empty((0, 2)))
        if len(longest):
            a, b = longest[len(longest) // 3]
            labels.append((float(a), float(b), f"{level:g} %"))
    return path, labels


def _light(evidence: Mapping[str, Any]) -> tuple[Array, Array, Array]:
    """Places of the blocks' middles along x and y (px), and their light in percent."""
    light = 100 * np.array(evidence["light_map"], dtype=float)  # None becomes NaN
    height, width = evidence["shape"]
    rows, columns = light.shape
    x = (np.arange(columns) + 0.5) * width / columns
    y = (np.arange(rows) + 0.5) * height / rows
    return x, y, light


def _ring(spot: Any, shape: Sequence[int]) -> str:
    place = spot if isinstance(spot, Mapping) else dataclasses.asdict(spot)
    x, y, radius = place["x"], place["y"], max(place["diameter_px"] / 2, max(shape) / 80)
    half = f"a{radius:.1f} {radius:.1f} 0 1 0"
    return f"M{x - radius:.1f} {y:.1f}{half} {2 * radius:.1f} 0{half} {-2 * radius:.1f} 0"


def _pairs(numbers: Any) -> Array:
    return np.asarray(numbers, dtype=float).reshape(-1, 2)


def _enlarged(moved: Array, shape: Sequence[int]) -> float:
    """By how much displacements are enlarged for the longest to be `ARROW_SHARE` of the width."""
    longest = float(np.hypot(*moved.T).max(initial=0.0))
    return float(f"{ARROW_SHARE * shape[1] / max(longest, 1e-3):.2g}")


def _arrows(at: Array, moved: Array, enlarged: float) -> str:
    """SVG path data of arrows from each place along its displacement."""
    path = ""
    for (x, y), (dx, dy) in zip(at, enlarged * moved, strict=True):
        u, v = x + dx, y + dy
        path += f"M{x:.1f} {y:.1f}L{u:.1f} {v:.1f}"
        for side in (-1, 1):  # a head of a quarter of the length, 27 degrees to each side
            path += f"M{u:.1f} {v:.1f}l{-0.25 * (dx - side * dy / 2):.1f} "
            path += f"{-0.25 * (dy + side * dx / 2):.1f}"
    return path


def _canvas(parts: Mapping[str, Mapping[str, Any]]) -> Canvas:
    from matplotlib.figure import Figure as Canvas

    canvas = Canvas(figsize=(5.0 * len(parts) + 1.5, 4.2), layout="constrained")
    panels = canvas.subplots(1, len(parts), squeeze=False)[0]
    for axes, (key, evidence) in zip(panels, parts.items(), strict=True):
        {EVENNESS: _draw_light, DISTORTION: _draw_distortion, COLOUR: _draw_colour}[key](
            axes, evidence
        )
        height, width = evidence["shape"]
        axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5), aspect="equal", xlabel="px")
    return canvas


def _draw_light(axes: Any, evidence: Mapping[str, Any]) -> None:
    x, y, light = _light(evidence)
    height, width = evidence["shape"]
    low = max(0.0, float(np.nanmin(light)))
    shown = axes.imshow(
        light, extent=(-0.5, width - 0.5, height - 0.5, -0.5), cmap="cividis", vmin=low
    )
    if float(np.nanmax(light)) - low > LEAST_RANGE:
        lines = axes.contour(x, y, light, levels=6, colors="white", linewidths=0.8)
        axes.clabel(lines, fmt="%.0f %%", fontsize=8)
    for spot in evidence["hot_spots"]:
        place = spot if isinstance(spot, Mapping) else {"x": spot.x, "y": spot.y}
        axes.plot(place["x"], place["y"], "o", mfc="none", mec="black", markersize=14)
        axes.plot(place["x"], place["y"], "o", mfc="none", mec="white", markersize=12)
    axes.figure.colorbar(shown, ax=axes, label="% of the centre's light", shrink=0.7)
    axes.set_title("light", fontsize=10)


def _draw_distortion(axes: Any, evidence: Mapping[str, Any]) -> None:
    points = np.asarray(evidence["points"], dtype=float).reshape(-1, 2)
    moved = np.asarray(evidence["moved"], dtype=float).reshape(-1, 2)
    longest = _draw_arrows(axes, points, moved, evidence["shape"][1], "black", "-")
    axes.plot(*evidence["centre"], "+", color="#b35c00", markersize=12, mew=1.5)
    axes.set_title(f"distortion; longest arrow {longest:.2f} px", fontsize=10)


def _draw_colour(axes: Any, evidence: Mapping[str, Any]) -> None:
    sets = [
        (np.asarray(evidence[f"{key}_places"], dtype=float), np.asarray(evidence[key], dtype=float))
        for key in ("red", "blue")
    ]
    longest = max(float(np.hypot(*moved.T).max()) for _, moved in sets)
    for (places, moved), colour, style, name in zip(
        sets, ("#b3261e", "#1f4e9e"), ("-", "--"), ("red", "blue"), strict=True
    ):
        _draw_arrows(axes, places, moved, evidence["shape"][1], colour, style, longest)
        axes.plot([], [], style, color=colour, label=name)
    axes.legend(fontsize=8, loc="upper right")
    axes.set_title(f"against green; longest arrow {longest:.2f} px", fontsize=10)


def _draw_arrows(
    axes: Any, at: Array, moved: Array, width: int, colour: str, style: str,
    longest: float | None = None,
) -> float:  # fmt: skip
    """Lines with a dot at their start, enlarged alike; returns the longest displacement, px."""
    longest = float(np.hypot(*moved.T).max()) if longest is None else longest
    scale = ARROW_SHARE * width / max(longest, 1e-9)
    ends = at + scale * moved
    for start, end in zip(at, ends, strict=True):
        axes.plot([start[0], end[0]], [start[1], end[1]], style, color=colour, linewidth=1.1)
    axes.plot(at[:, 0], at[:, 1], ".", color=colour, markersize=3)
    return longest
