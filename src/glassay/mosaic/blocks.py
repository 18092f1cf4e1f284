"""Blocks of an overlap, each measured to hundredths of a px.

Least squares on the brightness with gain and offset (Lucas and Kanade 1981). A block of the second
photo is sampled where the lens and the places of both tiles put every px of it, to the second order
within the block: distortion bends a block of 56 px by hundredths of a px, outwards on one side of an
overlap and inwards on the other, and what is taken for plain there becomes scale (measured: 1e-4 of
a length at 2 % of distortion).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.fitting import SIGMA_OF_MAD
from glassay.mosaic.greys import Bytes, once
from glassay.mosaic.lens import Lens, Points, applied, composed
from glassay.mosaic.shifts import Coarse, coarse_of
from glassay.mosaic.tile import Mask

FloatImage = npt.NDArray[np.float32]
Box = tuple[int, int, int, int]

BLOCK_PX, SMALL_BLOCK_PX = 56, 36
NARROW_PX = 150
"""Width of an overlap below which blocks are small: of large ones not two rows lie within it. At a
quarter of photos of 400 px one row or none was left, and neighbours were not seen to be such."""
FINE_PX = 4
"""Steps in which the rim of an overlap is found for its blocks."""
MOST_BLOCKS = 36
LOOSE_PX = 2.5
"""Distance from the common turn and shift within which a block is kept while the lens is guessed."""
AGREES_PX = 0.6
"""The same once the lens is known from the overlaps. Blocks of a true overlap lie within 0.1 px, within
0.3 px where a tile is soft; blocks that happen to show edges where nothing is common are scattered
over the 4 px that they may move."""
ROUNDS = 6
"""Times that blocks are measured at most; two or three are enough from a good start."""
REFITS = 2
"""Rounds after which blocks go on by themselves: one that knows one direction only first follows the
others."""
SETTLED_PX = 0.03
"""Median step below which one more round would move nothing: rounds go down by a factor of ten and
more each."""
LONGEST_STEP_PX = 4.0
LEAST_VARIANCE = 0.1
"""Square grey steps: a third of a step is the least scatter that rounding leaves."""


@dataclass(frozen=True, eq=False)
class Picture:
    """What overlaps are measured in: encoded grey a little smoothed, its lens, where it is valid.
    `digest` names the file and its tone."""

    grey: Bytes
    lens: Lens
    valid: Mask
    cell: int
    digest: str = ""

    @cached_property
    def coarse(self) -> Coarse:
        """What shifts are searched in."""

        def make() -> Coarse:
            return coarse_of(self.grey, self.lens, self.valid, self.cell)

        key = ("coarse", self.digest, self.lens)
        return once(key, make, lambda c: c.values.nbytes + c.mask.nbytes) if self.digest else make()

    def is_valid(self, points: Points) -> Mask:
        """Whether points (n, 2) px lie within the picture and show the object."""
        height, width = self.grey.shape
        x, y = points[..., 0], points[..., 1]
        inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
        column = (np.nan_to_num(x, posinf=0, neginf=0) / self.cell).astype(int)
        row = (np.nan_to_num(y, posinf=0, neginf=0) / self.cell).astype(int)
        rows, columns = self.valid.shape
        return np.asarray(inside & self.valid[row.clip(0, rows - 1), column.clip(0, columns - 1)])


@dataclass(frozen=True, eq=False)
class Pair:
    """Two pictures; `matrix` 2 x 3 from undistorted px of the first to those of the second."""

    one: Picture
    two: Picture
    matrix: Points

    def mapped(self, points: Points) -> Points:
        """Px of the first photo to px of the second."""
        return self.two.lens.distorted(applied(self.matrix, self.one.lens.undistorted(points)))

    def moved(self, shift: Points) -> Pair:
        """The pair with the second's undistorted px shifted."""
        matrix = self.matrix.copy()
        matrix[:, 2] += shift
        return replace(self, matrix=matrix)


@dataclass(frozen=True, eq=False)
class Blocks:
    """Blocks measured: `here` and `there` (n, 2) px of either photo, `information` (n, 2, 2) inverse
    covariance of `there`, `correlation` (n,)."""

    here: Points
    there: Points
    information: Points
    correlation: Points

    def only(self, which: Mask) -> Blocks:
        """Some of the blocks."""
        return Blocks(self.here[which], self.there[which], self.information[which],
                      self.correlation[which])  # fmt: skip

    def agreeing(
        self, matrix: Points, one: Lens, two: Lens, within_px: float, fewest: int
    ) -> tuple[Points, Mask]:
        """The turn and shift that blocks agree on, from `matrix` on, and which do; all False where
        fewer than `fewest` do."""
        here, there = one.undistorted(self.here), two.undistorted(self.there)
        matrix = _refitted(matrix, here, there, self)
        agrees = (self.correlation > 0.3) & (self._off(there - applied(matrix, here)) < within_px)
        if agrees.sum() < fewest:
            return matrix, np.zeros_like(agrees)
        kept = self.only(agrees)
        return _refitted(matrix, here[agrees], there[agrees], kept), agrees

    def _off(self, rests: Points) -> Points:
        """How far blocks lie off, px, in the direction that they know: a line says nothing along it."""
        known = np.linalg.eigvalsh(self.information)[:, 1]
        square = np.einsum("ni,nij,nj->n", rests, self.information, rests)
        return np.asarray(np.sqrt(np.maximum(square, 0) / np.maximum(known, 1e-12)))


def measure_blocks(pair: Pair, box: Box, fewest: int) -> Blocks | None:
    """Blocks spread over `box` of the first photo; None where fewer than `fewest` can be had."""
    narrow = min(box[2] - box[0], box[3] - box[1]) < NARROW_PX
    side = SMALL_BLOCK_PX if narrow else BLOCK_PX
    places = _places(pair, box, side)
    if len(places) < fewest:
        return None
    blocks = _cut_whole(pair.one.grey, places, side)
    here = pair.one.lens.undistorted(places)
    grids = _nodes(pair, places, side)
    for number in range(ROUNDS):
        jacobians = (grids[:, 1, 2] - grids[:, 1, 0], grids[:, 2, 1] - grids[:, 0, 1])
        jacobian = np.stack(jacobians, axis=2) / (side - 1)
        steps, inner, correlation = _steps(blocks, _cut(pair.two.grey, grids, side))
        length = np.hypot(*steps.T)
        short = np.minimum(1, LONGEST_STEP_PX / np.maximum(length, 1e-9))
        step = np.einsum("nij,nj->ni", jacobian, steps * short[:, None])
        back = np.linalg.inv(jacobian)
        information = back.transpose(0, 2, 1) @ inner @ back
        found = Blocks(places, grids[:, 1, 1] + step, information, correlation)
        if number < REFITS:
            there = pair.two.lens.undistorted(found.there)
            pair = replace(pair, matrix=_refitted(pair.matrix, here, there, found))
            grids = _nodes(pair, places, side)
            continue
        grids = grids + step[:, None, None, :]
        if float(np.median(length)) < SETTLED_PX:
            break
    return found


def _places(pair: Pair, box: Box, side: int) -> Points:
    """Middles of blocks spread over the overlap, wholly within both photos, on structure."""
    left, top, right, bottom = box
    half = side / 2 + 2
    step = max(side * 0.75, math.sqrt((right - left) * (bottom - top) / (3 * MOST_BLOCKS)))
    # a block of an even side has its middle between px
    places = np.array([
        (math.floor(x) + 0.5, y)
        for y, low, high in _rows(pair, box, half, step) for x in _spread(low, high, step)
    ]).reshape(-1, 2)  # fmt: skip
    places = places[_whole(pair, places, half)]
    if not len(places):
        return np.asarray(places)
    contrast = np.array([_contrast(pair.one.grey, x, y, side // 2) for x, y in places.astype(int)])
    floor = max(1.5, 0.25 * float(np.quantile(contrast, 0.9)))
    places = places[contrast > floor]
    if len(places) > MOST_BLOCKS:
        # every n-th of the blocks as they lie keeps them spread
        places = places[np.linspace(0, len(places) - 1, MOST_BLOCKS).astype(int)]
    return np.asarray(places)


def _rows(pair: Pair, box: Box, half: float, step: float) -> list[tuple[float, float, float]]:
    """Rows about `step` apart: y, and from which x to which blocks of that half side lie wholly within
    both photos. The box is known to half of a coarse step only, and two photos that are turned against
    each other share no upright rectangle."""
    left, top, right, bottom = box
    xs = np.arange(math.floor(left + half), right - half + FINE_PX, FINE_PX) + 0.5
    ys = np.arange(math.floor(top + half), bottom - half + FINE_PX, FINE_PX) + 0.5
    few = xs[len(xs) // 2 % max(1, round(step / FINE_PX)) :: max(1, round(step / FINE_PX))]
    some = ys[_whole(pair, _grid(few, ys), half).reshape(len(ys), len(few)).any(axis=1)]
    if not len(some):
        return []
    chosen = np.unique([some[np.abs(some - y).argmin()] for y in _spread(some[0], some[-1], step)])
    within = _whole(pair, _grid(xs, chosen), half).reshape(len(chosen), len(xs))
    return [
        (float(y), float(xs[row][0]), float(xs[row][-1]))
        for y, row in zip(chosen, within, strict=True)
    ]


def _grid(xs: Points, ys: Points) -> Points:
    return np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)


def _whole(pair: Pair, middles: Points, half: float) -> Mask:
    """Whether blocks of that half side about `middles` (n, 2) lie wholly within both photos."""
    within = np.ones(len(middles), dtype=np.bool_)
    for dx, dy in ((-half, -half), (half, -half), (-half, half), (half, half)):
        corner = middles + np.array((dx, dy))
        within &= pair.one.is_valid(corner) & pair.two.is_valid(pair.mapped(corner))
    return within


def _spread(low: float, high: float, step: float) -> Points:
    """Places `step` apart from `low` to `high`, as much left over at one end as at the other."""
    if high < low:
        return np.empty(0)
    count = int((high - low) / step)
    return np.asarray((low + high) / 2 + (np.arange(count + 1) - count / 2) * step)


def _contrast(grey: Bytes, x: int, y: int, half: int) -> float:
    return float(grey[y - half : y + half : 2, x - half : x + half : 2].std())


@lru_cache(maxsize=4)
def _nodes_of(side: int) -> tuple[Points, FloatImage]:
    """Three nodes along a block's side, and (side, 3) their weights at every px (Lagrange)."""
    half = (side - 1) / 2
    u = (np.arange(side) - half) / half
    weights = np.stack([u * (u - 1) / 2, 1 - u * u, u * (u + 1) / 2], axis=1)
    return np.array([-half, 0.0, half]), weights.astype(np.float32)


def _nodes(pair: Pair, places: Points, side: int) -> Points:
    """Where three by three points of each block lie in the second photo, (n, row, column, 2)."""
    nodes, _ = _nodes_of(side)
    points = places[:, None, None, :] + np.stack(np.meshgrid(nodes, nodes), axis=-1)
    return np.asarray(pair.mapped(points.reshape(-1, 2)).reshape(points.shape))


def _cut_whole(grey: Bytes, places: Points, side: int) -> FloatImage:
    corners = np.rint(places - (side - 1) / 2).astype(int)
    return np.stack([grey[y : y + side, x : x + side].astype(np.float32) for x, y in corners])


def _cut(grey: Bytes, grids: Points, side: int) -> FloatImage:
    """Blocks (n, side, side) sampled at grids of nodes."""
    _, weights = _nodes_of(side)
    x, y = (weights @ grids[..., n].astype(np.float32) @ weights.T for n in (0, 1))
    seen: Any = cv2.remap(
        grey, x.reshape(-1, side), y.reshape(-1, side), cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip
    return np.asarray(seen, dtype=np.float32).reshape(-1, side, side)


def _steps(one: FloatImage, two: FloatImage) -> tuple[Points, Points, Points]:
    """Steps still missing in each block, one(x) = gain two(x + step) + offset; their information
    (n, 2, 2); and how the blocks correlate."""
    inner = one.shape[1] - 2
    rows = np.empty((len(one), 4, inner**2), dtype=np.float32)
    wide = rows.reshape(len(one), 4, inner, inner)
    np.subtract(two[:, 1:-1, 2:], two[:, 1:-1, :-2], out=wide[:, 0])
    np.subtract(two[:, 2:, 1:-1], two[:, :-2, 1:-1], out=wide[:, 1])
    wide[:, :2] /= 2
    wide[:, 2], wide[:, 3] = two[:, 1:-1, 1:-1], one[:, 1:-1, 1:-1]
    rows -= rows.mean(axis=2, keepdims=True)
    products = (rows @ rows.transpose(0, 2, 1)).astype(np.float64)
    gram, right, power = products[:, :3, :3], products[:, :3, 3], products[:, 3, 3]
    gram = gram + (1e-3 + 1e-6 * np.trace(gram, axis1=1, axis2=2))[:, None, None] * np.eye(3)
    solution = np.linalg.solve(gram, right[..., None])[..., 0]
    rest = np.maximum(power - np.einsum("bi,bi->b", solution, right), 0)
    variance = rest / rows.shape[2] + LEAST_VARIANCE
    gain = np.where(np.abs(solution[:, 2]) > 0.1, solution[:, 2], 0.1)
    # step information with the gain free: what the slopes say beyond it
    known = gram[:, :2, :2] - np.einsum("bi,bj->bij", gram[:, :2, 2], gram[:, :2, 2]) / gram[
        :, 2, 2, None, None
    ]  # fmt: skip
    information = known * (gain**2 / variance)[:, None, None]
    both = np.sqrt(np.maximum(power * products[:, 2, 2], 1e-18))
    return solution[:, :2] / gain[:, None], information, products[:, 2, 3] / both


def _refitted(matrix: Points, here: Points, seen: Points, found: Blocks) -> Points:
    """`matrix` with a turn and shift that undistorted points agree on (Cauchy weights)."""
    here = applied(matrix, here)
    middle = here.mean(axis=0)
    u, v = (here - middle).T
    one, zero = np.ones_like(u), np.zeros_like(u)
    design = np.stack([np.stack([one, zero, -v], 1), np.stack([zero, one, u], 1)], axis=1)
    known = found.information / np.maximum(
        np.trace(found.information, axis1=1, axis2=2)[:, None, None], 1e-12
    ) * np.clip(found.correlation, 0.02, 1)[:, None, None]  # fmt: skip
    turned = known @ design
    squares = design.transpose(0, 2, 1) @ turned
    change = np.zeros(3)
    for round_number in range(8):
        rest = seen - here - design @ change
        scale = (
            max(0.3, SIGMA_OF_MAD * float(np.median(np.hypot(*rest.T)))) if round_number else 3.0
        )
        weights = 1 / (1 + (rest**2).sum(axis=1) / scale**2)
        normal = np.tensordot(weights, squares, axes=1)
        right = np.einsum("bki,bk,b->i", turned, seen - here, weights)
        normal = normal + 1e-9 * np.trace(normal) * np.eye(3) + 1e-12 * np.eye(3)
        before, change = change, np.linalg.solve(normal, right)
        if round_number > 1 and np.abs(change - before).max() < 1e-5:
            break
    c, s = math.cos(change[2]), math.sin(change[2])
    local = np.array([[c, -s], [s, c]])
    shift = middle + change[:2] - local @ middle
    return composed(np.column_stack([local, shift]), matrix)
