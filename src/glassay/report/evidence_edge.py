"""The evidence behind an edge response: edges over the photo, their curves beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from glassay.bench.words import say
from glassay.detail.edge import EdgeResponse
from glassay.imaging import Photo
from glassay.report.figure_file import check_figure_name, save_figure
from glassay.report.pictures import for_screen

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
    canvas.suptitle(f"{photo.path.name}: 50 % at {say(response.mtf50, ' cycles/px')}")
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
        f"{len(used)} edges used (numbered), {len(evidence['rejected'])} not used (dashed)"
    )


def _segments(edges: Sequence[Mapping[str, Any]]) -> list[Any]:
    return [np.asarray(edge["ends"]).reshape(2, 2) for edge in edges]


_STYLES = {"x": "-", "y": "--", "diagonal": ":"}


def _draw_curves(axes: Any, evidence: Mapping[str, Any], response: EdgeResponse) -> None:
    frequency = evidence["frequency"]
    for edge in evidence["edges"]:
        style = _STYLES[edge["direction"]]
        axes.plot(frequency, edge["modulation"], style, color="0.65", linewidth=0.6)
    axes.fill_between(frequency, evidence["low"], evidence["high"], color=USED, alpha=0.4,
                      linewidth=0, label="95 % band")  # fmt: skip
    axes.plot(frequency, evidence["modulation"], color="black", linewidth=1.4, label="median")
    for level, found in ((0.5, response.mtf50), (0.1, response.mtf10)):
        if found is not None:
            axes.plot(found.value, level, "o", color="black", markersize=4)
            axes.annotate(f"{level:.0%} at {say(found)}", (found.value, level), (6, 4),
                          textcoords="offset points", fontsize=8)  # fmt: skip
    axes.axvline(0.5, color="0.4", linewidth=0.8, linestyle="dashdot")
    axes.text(0.505, 0.98, "Nyquist", fontsize=8, va="top")
    top = max(1.1, float(np.max(evidence["modulation"])) * 1.05)
    axes.set(xlim=(0, _upper(evidence)), ylim=(0, top))
    axes.set(xlabel="cycles/px (thin: single edges; dashed across y, dotted diagonal)",
             ylabel="modulation, pixel included")  # fmt: skip
    axes.legend(fontsize=8)


def _upper(evidence: Mapping[str, Any]) -> float:
    modulation = np.asarray(evidence["modulation"])
    seen = np.asarray(evidence["frequency"])[modulation > 0.04]
    return float(min(max(0.55, 1.2 * seen.max(initial=0.0)), 1.0))


def _draw_spreads(axes: Any, evidence: Mapping[str, Any]) -> None:
    widths = []
    for edge in evidence["edges"]:
        position, spread = np.asarray(edge["position"]), np.asarray(edge["spread"])
        axes.plot(position, spread, _STYLES[edge["direction"]], color="0.3", linewidth=0.6)
        rise = position[(spread > 0.05) & (spread < 0.95)]
        widths.append(float(np.ptp(rise)) if rise.size else 0.0)
    for level in (0.0, 1.0):
        axes.axhline(level, color="0.6", linewidth=0.8)
    limit = float(np.clip(4 * np.median(widths), 5.0, 60.0))
    axes.set(xlim=(-limit, limit), ylim=(-0.25, 1.25))
    axes.set(xlabel="px across the edge, dark to bright", ylabel="edge spread")
