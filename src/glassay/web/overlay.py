"""The evidence of a measurement as shapes over the photo, in px of the upright photo.

The report draws the same evidence into fixed pictures; here it lies over the viewer as SVG. Each
method's record names its function.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from glassay.bench.keeping.results import CaptureResult, MethodResult
from glassay.bench.measuring.methods import METHODS
from glassay.errors import GlassayError
from glassay.extensions import named
from glassay.quantity import Quantity
from glassay.report.evidence_scale import ScaleDrawing
from glassay.report.numbers import counted


@dataclass(frozen=True)
class Shapes:
    """Fine lines (`strokes`), bold ones (`paths`) as SVG path data, circles, and words for both."""

    strokes: str = ""
    paths: str = ""
    circles: tuple[tuple[float, float, float], ...] = ()
    words: str = ""

    def as_json(self) -> dict[str, Any]:
        """Plain data for the viewer."""
        return {"strokes": self.strokes, "paths": self.paths, "circles": [*self.circles]}


def shapes_of(result: CaptureResult) -> Shapes:
    """What there is to draw for a capture: that of its first method with anything to draw."""
    for part in result.parts:
        method = METHODS.get(part.method)
        if method is None or not method.overlay or part.status != "measured":
            continue
        try:
            shapes: Shapes = named(method.overlay)(part)
            return shapes
        except (GlassayError, KeyError, TypeError, ValueError):
            continue  # kept by another version: the photo is shown without
    return Shapes()


def scale(part: MethodResult) -> Shapes:
    """Lines of a scale, its axis, and the rim of a round field."""
    findings = {k: f.value for k, f in part.findings.items() if isinstance(f.value, Quantity)}
    drawing = ScaleDrawing.of_stored(part.evidence, findings)
    what = "grid columns" if drawing.is_grid else "lines"
    circle = () if drawing.circle is None else (_halved(drawing.circle),)
    words = f"{len(drawing.segments)} {what} found, with the axis of the scale"
    return Shapes(
        "".join(_line(*segment) for segment in drawing.segments.tolist()),
        _arrow(*drawing.axis, drawing.width / 50), circle,
        words + (" and the round field" if circle else ""),
    )  # fmt: skip


def _halved(circle: tuple[float, float, float]) -> tuple[float, float, float]:
    x, y, diameter = circle
    return x, y, diameter / 2


def _line(x0: float, y0: float, x1: float, y1: float) -> str:
    return f"M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}"


def _arrow(x0: float, y0: float, x1: float, y1: float, head: float) -> str:
    path, angle = _line(x0, y0, x1, y1), math.atan2(y1 - y0, x1 - x0)
    for side in (-1, 1):
        turned = angle + side * math.radians(150)
        path += _line(x1 + head * math.cos(turned), y1 + head * math.sin(turned), x1, y1)
    return path


def edges(part: MethodResult) -> Shapes:
    """The edges used."""
    edges: list[Mapping[str, Any]] = part.evidence["edges"]
    ends = [[float(v) for point in _flat(edge["ends"]) for v in point] for edge in edges]
    words = f"{counted(len(ends), 'edge')} used"
    return Shapes(paths="".join(_line(*four) for four in ends), words=words)


def pieces(part: MethodResult) -> Shapes:
    """The pieces of wiring that agree."""
    ends = [[float(v) for v in four] for four in part.evidence["pieces"]]
    words = f"{counted(len(ends), 'piece')} of wiring used"
    return Shapes(paths="".join(_line(*four) for four in ends), words=words)


def bars(part: MethodResult) -> Shapes:
    """Frames of the triplets located, the finest resolved in bold."""
    thin, bold, count = "", "", 0
    for element in part.evidence["elements"]:
        for kind in ("upright", "level"):
            if element[kind]["contrast"] is not None:
                frame = _frame(element[kind])
                thin, bold = (thin, bold + frame) if element["finest"] else (thin + frame, bold)
                count += 1
    return Shapes(thin, bold, words=f"{count} triplets located; bold: the finest resolved")


def _frame(bars: Mapping[str, Any]) -> str:
    (ax, ay), (bx, by) = bars["across"], bars["along"]
    u, v = 1.5 * bars["period"], 0.6 * bars["length"]
    corners = [
        (bars["x"] + s * u * ax + t * v * bx, bars["y"] + s * u * ay + t * v * by)
        for s, t in ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))
    ]
    return "".join(_line(*a, *b) for a, b in itertools.pairwise(corners))


def _flat(ends: Any) -> list[list[float]]:
    return [list(ends[:2]), list(ends[2:])] if len(ends) == 4 else [list(end) for end in ends]
