"""The evidence behind what changes across the field: maps of light, distortion and colour."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from glassay.bench.words import say
from glassay.field import FieldResult
from glassay.report.canvas import on_page
from glassay.report.evidence import Case, Figure
from glassay.report.figure_file import check_figure_name, save_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas

Array = npt.NDArray[np.float64]

ARROW_SHARE = 0.09
"""Length of the longest arrow drawn, as a share of the picture's width."""
EVENNESS, DISTORTION, COLOUR = "evenness", "distortion", "lateral colour"


def draw_field(result: FieldResult, name: str, path: Path) -> None:
    """Draw whatever was measured into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    parts = {
        key: part.evidence()
        for key, part in (
            (EVENNESS, result.evenness), (DISTORTION, result.distortion), (COLOUR, result.colour)
        )
        if part is not None
    }  # fmt: skip
    canvas = _canvas(parts)
    canvas.suptitle(name)
    save_figure(canvas, path)


def figures(case: Case) -> tuple[Figure, ...]:
    """The map of one part."""
    found = case.part.findings
    if case.part.method == EVENNESS:
        words = (
            "Light across the field over that at its centre; lines join places of equal light,"
            " circles mark hot spots."
        )
    elif case.part.method == DISTORTION:
        corner = say(found["distortion_corner"].quantity, " %")
        words = f"How far distortion moves points, much enlarged; {corner} at the corner."
    else:
        spread = say(found["lateral_colour"].quantity, " px")
        words = (
            "How far red (solid) and blue (dashed) edges lie from the green ones, much enlarged;"
            f" {spread} between the outermost colours in the corners."
        )
    return (on_page(case, _canvas({case.part.method: case.evidence}), words),)


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
    light = 100 * np.array(evidence["light_map"], dtype=float)  # None becomes NaN
    height, width = evidence["shape"]
    low = max(0.0, float(np.nanmin(light)))
    shown = axes.imshow(
        light, extent=(-0.5, width - 0.5, height - 0.5, -0.5), cmap="cividis", vmin=low
    )
    rows, columns = light.shape
    x = (np.arange(columns) + 0.5) * width / columns
    y = (np.arange(rows) + 0.5) * height / rows
    if float(np.nanmax(light)) - low > 2:
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
