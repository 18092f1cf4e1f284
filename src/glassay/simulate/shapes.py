"""Drawn shapes: polygons, curves and lines, filled or stroked, painted over a picture.

The rasteriser is Agg (by way of matplotlib), whose coverage is exact to 1/256 of a sample; what the
fine grid's Gaussian still needs is added afterwards.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal, cast

import cv2
import numpy as np
import numpy.typing as npt
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.path import Path
from matplotlib.transforms import Affine2D

from glassay.simulate.geometry import Image
from glassay.simulate.paint import PREFILTER_SAMPLES, View

Colour = tuple[float, float, float]

_BAND_ROWS = 3000
"""Rows that are rasterised at once; Agg's own limit is higher."""

_SMOOTHING = math.sqrt(PREFILTER_SAMPLES**2 - 1 / 12)
"""Gaussian still missing after area coverage, whose variance is 1/12 sample squared."""


@dataclass(frozen=True, eq=False)
class Shape:
    """A path in um with a colour of linear reflectance.

    `points`, shape (n, 2), are corners, or with `codes` the vertices of a path with curves as
    matplotlib's `Path` defines them. `width_um` 0 fills the path, otherwise it is stroked so wide
    with the given `cap`. `opacity` lets what lies under it through.
    """

    points: npt.NDArray[np.float64]
    colour: Colour
    width_um: float = 0.0
    opacity: float = 1.0
    codes: tuple[int, ...] | None = None
    cap: Literal["butt", "round", "projecting"] = "round"


@dataclass(frozen=True, eq=False)
class Boxes:
    """Many filled rectangles of one colour: `boxes` of shape (n, 4) holds x0, y0, x1, y1 in um."""

    boxes: npt.NDArray[np.float64]
    colour: Colour
    opacity: float = 1.0


def grey(value: float) -> Colour:
    """The same reflectance in all colours."""
    return (value, value, value)


def box(x0: float, y0: float, x1: float, y1: float) -> npt.NDArray[np.float64]:
    """Corners of a rectangle."""
    return np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], dtype=np.float64)


def disc(x: float, y: float, radius: float, corners: int = 40) -> npt.NDArray[np.float64]:
    """Corners of a polygon that passes for a disc of the same area."""
    angle = np.arange(corners) * (2 * math.pi / corners)
    fit = radius * math.sqrt(2 * math.pi / corners / math.sin(2 * math.pi / corners))
    return np.stack([x + fit * np.cos(angle), y + fit * np.sin(angle)], axis=1)


def draw(view: View, under: Image, shapes: Iterable[Shape | Boxes]) -> Image:
    """`under` with the shapes painted over it in their order; colour if any shape is coloured."""
    plain = [_visible_boxes(view, s) if isinstance(s, Boxes) else s for s in shapes]
    visible = [(s, grid) for s in plain if s is not None for grid in _on_grid(view, s)]
    if not visible:
        return under
    coloured = under.ndim == 3 or any(len(set(shape.colour)) > 1 for shape, _ in visible)
    if coloured and under.ndim == 2:
        under = np.repeat(under[..., None], 3, axis=2)
    result = under.copy()
    bounds = np.array([_rows_spanned(view, shape, grid) for shape, grid in visible])
    for top in range(0, view.shape[0], _BAND_ROWS):
        rows = min(_BAND_ROWS, view.shape[0] - top)
        margin = 4
        hit = (bounds[:, 1] > top - margin) & (bounds[:, 0] < top + rows + margin)
        chosen = [visible[i] for i in np.flatnonzero(hit)]
        if chosen:
            layer = _rasterise(view, chosen, top - margin, rows + 2 * margin, coloured)
            layer = layer[margin : margin + rows]
            part = result[top : top + rows]
            part *= 1 - (layer[..., 3:] if coloured else layer[..., 1])
            part += layer[..., :3] if coloured else layer[..., 0]
    return result


def _visible_boxes(view: View, many: Boxes) -> Shape | None:
    """One compound path of the rectangles that the grid can show."""
    if not many.boxes.size:
        return None
    boxes = _cut_up(many.boxes, _longest_um(view)) if view.mapping.k1 else many.boxes
    x0, y0, x1, y1 = boxes.T
    corners = np.stack([x0, y0, x1, y0, x1, y1, x0, y1], axis=1).reshape(-1, 4, 2)
    grid = view.to_grid(corners.reshape(-1, 2)).reshape(-1, 4, 2)
    rows, columns = view.shape
    low, high = grid.min(axis=1), grid.max(axis=1)
    seen = (high >= -6).all(axis=1) & (low <= (columns + 6, rows + 6)).all(axis=1)
    if not seen.any():
        return None
    kept = corners[seen]
    closed = np.concatenate([kept, kept[:, :1]], axis=1).reshape(-1, 2)
    codes = (Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY)
    return Shape(closed, many.colour, 0.0, many.opacity, tuple(int(c) for c in codes) * len(kept))


def _on_grid(view: View, shape: Shape) -> list[npt.NDArray[np.float64]]:
    points = shape.points
    if shape.codes is None and view.mapping.k1:
        points = _subdivide(points, closed=shape.width_um == 0, longest=_longest_um(view))
    grid = view.to_grid(points)
    reach = 4 + shape.width_um * view.oversample / view.mapping.pose.pixel_size_um
    low, high = grid.min(axis=0) - reach, grid.max(axis=0) + reach
    rows, columns = view.shape
    outside = high[0] < 0 or high[1] < 0 or low[0] > columns or low[1] > rows
    return [] if outside else [grid]


def _longest_um(view: View) -> float:
    """Longest straight side that is drawn as one: 3 % of distortion bends it by 0.03 px."""
    return view.mapping.half_diagonal * view.mapping.pose.pixel_size_um / 15


def _cut_up(boxes: npt.NDArray[np.float64], longest: float) -> npt.NDArray[np.float64]:
    """Long rectangles as chains of shorter ones, which distortion is going to bend. Their coverage
    adds up without a seam, because all are one path."""
    for low, high in ((0, 2), (1, 3)):
        counts = np.maximum(1, np.ceil((boxes[:, high] - boxes[:, low]) / longest)).astype(int)
        which = np.repeat(np.arange(len(boxes)), counts)
        piece = np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts)
        out = boxes[which].copy()
        side = (boxes[which, high] - boxes[which, low]) / counts[which]
        out[:, low] = boxes[which, low] + piece * side
        out[:, high] = boxes[which, low] + (piece + 1) * side
        boxes = out
    return boxes


def _subdivide(
    points: npt.NDArray[np.float64], *, closed: bool, longest: float
) -> npt.NDArray[np.float64]:
    """More points along straight sides, which distortion is going to bend."""
    ends = np.concatenate([points, points[:1]]) if closed else points
    pieces = []
    for a, b in pairwise(ends):
        count = max(1, math.ceil(float(np.hypot(*(b - a))) / longest))
        pieces.append(a + (b - a) * (np.arange(count) / count)[:, None])
    return np.concatenate(pieces if closed else [*pieces, points[-1:]])


def _rows_spanned(view: View, shape: Shape, grid: npt.NDArray[np.float64]) -> tuple[float, float]:
    reach = shape.width_um * view.oversample / view.mapping.pose.pixel_size_um
    return float(grid[:, 1].min() - reach), float(grid[:, 1].max() + reach)


def _rasterise(
    view: View,
    shapes: list[tuple[Shape, npt.NDArray[np.float64]]],
    top: int,
    rows: int,
    coloured: bool,
) -> Image:
    """Premultiplied R, G, B (or grey) and coverage of a band of the fine grid, in its last axis."""
    columns = view.shape[1]
    agg: Any = cast(Any, RendererAgg)(columns, rows, 72)
    # Agg measures from the lower left corner of the raster, in samples whose middles are at 1/2
    place = Affine2D().scale(1, -1).translate(0.5, rows + top - 0.5)
    per_um = view.oversample / view.mapping.pose.pixel_size_um
    for shape, grid in shapes:
        context = agg.new_gc()
        context.set_snap(False)
        context.set_alpha(shape.opacity)
        codes = None if shape.codes is None else np.asarray(shape.codes, dtype=np.uint8)
        if shape.width_um:
            context.set_linewidth(max(shape.width_um * per_um, 1e-3))
            context.set_foreground(shape.colour)
            context.set_capstyle(shape.cap)
            context.set_joinstyle("miter" if shape.cap != "round" else "round")
            agg.draw_path(context, Path(grid, codes), place, None)
        else:
            context.set_linewidth(0.0)
            closed = Path(grid, codes) if codes is not None else Path(grid, None, closed=False)
            agg.draw_path(context, closed, place, (*shape.colour, shape.opacity))
    drawn = np.asarray(agg.buffer_rgba())
    layer = (drawn if coloured else drawn[..., 2:]).astype(np.float32)
    layer *= np.float32(1 / 255)
    layer[..., :-1] *= layer[..., -1:]
    soft = np.asarray(cv2.GaussianBlur(layer, (0, 0), _SMOOTHING))
    return soft.astype(view.x.dtype, copy=False)
