"""The lattice on which the spots of a grid stand: indexed by walking from neighbour to neighbour, then
fitted to their centroids by robust least squares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from glassay.distortion import HIGHER_ORDER_PASSES, Frame, higher_orders, posterior
from glassay.errors import NotMeasurable
from glassay.fitting import Trimmed, is_better, trimmed_fit
from glassay.scale.grid_spots import MIN_SPOTS
from glassay.scale.result import MIN_DIVISION_PX

Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Lattice:
    """Spots on a lattice: `origin` and the steps `a`, `b` (px), each spot's place and residual (px)."""

    origin: Array
    a: Array  # px per step along the first axis (nearer to horizontal)
    b: Array
    error: float  # standard error of each component of a and b
    index: npt.NDArray[np.int64]  # (spots, 2)
    points: Array  # (spots, 2) used
    scatter: float
    distortion: float
    distortion_error: float
    allowance: tuple[float, float]  # px: what an unseen distortion may add to each step
    residuals: Array


def fit_lattice(points: Array, frame: Frame) -> Lattice:
    """The lattice of `points` (n, 2) px. Raises `NotMeasurable` where they stand on none."""
    a, b = _basis(points)
    index, seen = _walk(points, a, b)
    if len(seen) < MIN_SPOTS:
        raise NotMeasurable("the spots in the photo do not stand on a regular grid")
    return _solved(points[seen], index, frame)


def _solved(points: Array, index: npt.NDArray[np.int64], frame: Frame) -> Lattice:
    """Robust least squares of origin, both steps and, when an F test says so, radial distortion.

    The steps are those on the optical axis; where the distortion is not seen, what it may do to them
    is an allowance.
    """
    from_axis = points - frame.axis
    square = frame.square(points)[:, None]
    bend = (from_axis * square).T.ravel()
    even = np.kron(np.eye(2), np.column_stack([np.ones(len(points)), index]))
    values = points.T.ravel()
    design = np.column_stack([even, bend])
    straight, bent = _robust(even, values), _robust(design, values)
    curved = _distorted(straight, bent)
    k, k_error = float(bent.solution[6]), math.sqrt(bent.covariance[6, 6])
    for _ in range(HIGHER_ORDER_PASSES if curved else 0):
        higher = from_axis * higher_orders(float(bent.solution[6]), square)
        bent = _robust(design, (points + higher).T.ravel())
    fit = bent if curved else straight
    a, b = fit.solution[[1, 4]], fit.solution[[2, 5]]
    if min(np.linalg.norm(a), np.linalg.norm(b)) < MIN_DIVISION_PX:  # spots in one row
        raise NotMeasurable("the spots in the photo do not stand on a regular grid")
    moved = np.zeros(2)
    if not curved:
        by_one = np.linalg.lstsq(even, bend, rcond=None)[0]  # what a distortion of 1 adds
        unseen = posterior(k, k_error)
        moved = unseen * np.array([
            by_one[[1, 4]] @ a / np.linalg.norm(a), by_one[[2, 5]] @ b / np.linalg.norm(b)
        ])  # fmt: skip
    pitch = min(np.linalg.norm(a), np.linalg.norm(b))
    return Lattice(
        origin=fit.solution[[0, 3]],
        a=a,
        b=b,
        error=float(np.sqrt(max(fit.covariance[1, 1], fit.covariance[2, 2]))),
        index=index[fit.kept],
        points=points[fit.kept],
        scatter=float(np.sqrt(2) * fit.rms / pitch),
        distortion=float(bent.solution[6]) if curved else 0.0,
        distortion_error=math.sqrt(bent.covariance[6, 6]),
        allowance=(float(moved[0]), float(moved[1])),
        residuals=fit.residuals.reshape(2, -1).T[fit.kept],
    )


def _robust(design: Array, values: Array) -> Trimmed:
    """Least squares with spots far from the rest left out."""
    return trimmed_fit(
        design, values, limit=lambda gap: 3.5 * float(np.median(gap)) + 1e-3, each=2, passes=6
    )


def _distorted(straight: Trimmed, bent: Trimmed) -> bool:
    """F test of the distorted lattice against the even one, on the spots that either uses."""
    rows = np.tile(straight.kept | bent.kept, 2)
    before, after = (float((fit.residuals[rows] ** 2).sum()) for fit in (straight, bent))
    freedom = int(rows.sum()) - 7
    return freedom >= 10 and is_better(before, after, freedom)


def _basis(points: Array) -> tuple[Array, Array]:
    """The two shortest steps that most spots share, nearest to horizontal first."""
    tree = cKDTree(points)
    near = tree.query(points, k=min(9, len(points)))[1][:, 1:]
    steps = (points[near] - points[:, None]).reshape(-1, 2)
    steps = np.where((steps[:, :1] < 0) | ((steps[:, :1] == 0) & (steps[:, 1:] < 0)), -steps, steps)
    length = np.linalg.norm(steps, axis=1)
    short = float(np.median(np.sort(length.reshape(len(points), -1), axis=1)[:, 0]))
    if short < MIN_DIVISION_PX:
        raise NotMeasurable("the spots in the photo are too close together to be measured")
    close = steps[(length > 0.7 * short) & (length < 2.2 * short)]
    first = _densest(close, 0.12 * short)
    turned = np.abs(close @ np.array([-first[1], first[0]])) / np.linalg.norm(first)
    across = close[turned > 0.5 * short]
    if len(across) < MIN_SPOTS / 2:
        raise NotMeasurable("the spots in the photo lie in one row, not on a grid")
    second = _densest(across, 0.12 * short, prefer_short=True)
    second = second - round(float(second @ first / (first @ first))) * first
    for _ in range(2):
        first, second = (first, second) if abs(first[0]) >= abs(second[0]) else (second, first)
    if first[0] < 0:
        first = -first
    if second[1] < 0:
        second = -second
    cosine = abs(float(first @ second / np.linalg.norm(first) / np.linalg.norm(second)))
    if cosine > 0.25:
        raise NotMeasurable("the spots in the photo do not stand on a square grid")
    return first, second


def _densest(steps: Array, radius: float, prefer_short: bool = False) -> Array:
    sample = steps if len(steps) <= 4000 else steps[:: len(steps) // 4000 + 1]
    tree = cKDTree(sample)
    votes = tree.query_ball_point(sample, radius, return_length=True).astype(np.float64)
    if prefer_short:
        votes /= np.linalg.norm(sample, axis=1) ** 2
    top = sample[int(np.argmax(votes))]
    members = sample[np.linalg.norm(sample - top, axis=1) < radius]
    return np.asarray(np.median(members, axis=0))


def _walk(points: Array, a: Array, b: Array) -> tuple[npt.NDArray[np.int64], list[int]]:
    """Give lattice indices to the spots that can be reached from the middle step by step."""
    tree = cKDTree(points)
    start = int(tree.query(np.median(points, axis=0))[1])
    number = {start: (0, 0)}
    queue = [start]
    reach = 0.3 * float(min(np.linalg.norm(a), np.linalg.norm(b)))
    while queue:
        here = queue.pop(0)
        targets = points[here] + np.array([a, -a, b, -b])
        gap, found = tree.query(targets, distance_upper_bound=reach)
        for step, (distance, other) in zip(
            ((1, 0), (-1, 0), (0, 1), (0, -1)), zip(gap, found, strict=True), strict=True
        ):
            if math.isfinite(distance) and int(other) not in number:
                i, j = number[here]
                number[int(other)] = (i + step[0], j + step[1])
                queue.append(int(other))
    seen = list(number)
    return np.array([number[k] for k in seen], dtype=np.int64), seen
