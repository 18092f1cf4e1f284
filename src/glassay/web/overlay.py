"""The evidence of a measurement as shapes over the photo, in px of the upright photo.

The same strokes as in the report, laid over the viewer. Each method's record names its function.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from glassay.bench.keeping.results import CaptureResult, MethodResult
from glassay.bench.measuring.methods import METHODS
from glassay.detail.bars_result import KINDS
from glassay.errors import GlassayError
from glassay.extensions import named
from glassay.quantity import Quantity
from glassay.report.drawing import Stroke
from glassay.report.evidence_bars import strokes as bar_strokes
from glassay.report.evidence_edge import strokes as edge_strokes
from glassay.report.evidence_scale import ScaleDrawing
from glassay.report.numbers import counted
from glassay.report.strokes import line_path


@dataclass(frozen=True)
class Shapes:
    """Fine lines (`strokes`) and bold ones (`paths`) as SVG path data, and words for both."""

    strokes: str = ""
    paths: str = ""
    words: str = ""

    def as_json(self) -> dict[str, Any]:
        """Plain data for the viewer."""
        return {"strokes": self.strokes, "paths": self.paths}


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
    words = f"{len(drawing.segments)} {what} found, with the axis of the scale"
    return _shapes(drawing.strokes(), words + (" and the round field" if drawing.circle else ""))


def _shapes(strokes: Sequence[Stroke], words: str) -> Shapes:
    fine, bold = (
        "".join(p for kind, p in strokes if (kind == "thin") is thin) for thin in (True, False)
    )
    return Shapes(fine, bold, words)


def edges(part: MethodResult) -> Shapes:
    """The edges used."""
    used = [stroke for stroke in edge_strokes(part.evidence) if stroke[0] != "thin"]
    return _shapes(used, f"{counted(len(part.evidence['edges']), 'edge')} used")


def pieces(part: MethodResult) -> Shapes:
    """The pieces of wiring that agree."""
    ends = part.evidence["pieces"]
    return Shapes(paths=line_path(ends), words=f"{counted(len(ends), 'piece')} of wiring used")


def bars(part: MethodResult) -> Shapes:
    """Frames of the triplets located, the finest resolved in bold."""
    elements = part.evidence["elements"]
    count = sum(e[kind]["contrast"] is not None for e in elements for kind in KINDS)
    words = f"{count} triplets located; bold: the finest resolved"
    return _shapes(bar_strokes(part.evidence), words)
