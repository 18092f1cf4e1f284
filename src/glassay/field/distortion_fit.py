"""Fitting a radial model to views of grids and rulings."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import OptimizeResult, least_squares

from glassay.distortion import (
    distorted,
    undistorted,
)
from glassay.errors import NotMeasurable
from glassay.fitting import SIGMA_OF_MAD, chain_inflation, is_better

Array = npt.NDArray[np.float64]


OUTLIER_SCATTERS = 4.0
"""Standard deviations from which a point is left out: of normally spread ones, one in 16 000 lies so
far."""

TILT_KNOWN = math.radians(0.2)
"""Standard uncertainty with which a ruled scale's direction is taken from its own measurement."""
DIFFERENCE = 1e-6
USUAL_SCATTER = 1e-4
"""Scatter of lines in half diagonals (0.05 px in a megapixel), which sets the weight of that."""

CENTRE_POINTS = 80
"""Points from which on the distortion's centre may be fitted instead of assumed in the middle."""
MOST_OFF, CENTRE_KNOWN = 0.5, 0.1
"""A centre farther than this from the picture's middle, or known no better (standard error; half
diagonals both), is no place: a lens whose parts stand beside each other moves points so without it."""
RADIAL = ("k1", "k2", "k3")


@dataclass(frozen=True)
class GridView:
    """Points (n, 2) as column, row in px, and their whole-number places (n, 2) on the object."""

    points: Array
    index: npt.NDArray[np.int64]


@dataclass(frozen=True)
class RulingView:
    """A point on each line of a ruled scale, (n, 2) px, the lines' numbers (n,), and the direction
    in which the scale runs, rad from the x axis towards the y axis (down)."""

    points: Array
    numbers: npt.NDArray[np.int64]
    direction: float


View = GridView | RulingView


@dataclass(frozen=True)
class Fit:
    free: tuple[str, ...]
    solution: Array
    covariance: Array
    scatter: float  # per residual, in half diagonals
    square: float
    freedom: int
    kept: npt.NDArray[np.bool_]
    residuals: Array
    inflation: float

    @property
    def radial(self) -> tuple[float, float, float]:
        """k1, k2 and k3, 0 where not fitted."""
        return _radial(self.solution, self.free)

    @property
    def orders(self) -> int:
        """How many radial terms were fitted."""
        return len(set(self.free) & set(RADIAL))

    def centre(self, middle: Array, half: float) -> Array:
        """Where the radial terms have their centre, (column, row) px."""
        if "centre" not in self.free:
            return middle
        return np.asarray(middle + half * self.solution[self.orders : self.orders + 2])

    @property
    def tangent(self) -> Array:
        """The decentring of a lens whose centre is no place (2,): see `tangential`."""
        if "tangent" not in self.free:
            return np.zeros(2)
        return self.solution[self.orders : self.orders + 2]

    @property
    def knows_its_centre(self) -> bool:
        """Whether the fitted centre is a place in the picture."""
        at = slice(self.orders, self.orders + 2)
        error = math.sqrt(float(self.covariance[at, at].trace()))
        return float(np.hypot(*self.solution[at])) < MOST_OFF and error < CENTRE_KNOWN


def best_fit(views: Sequence[View], half: float, middle: Array) -> Fit:
    fit = _fit(views, half, middle, ("k1",))
    points = sum(len(v.points) for v in views if isinstance(v, GridView))
    wider = [RADIAL[:2], RADIAL]
    if points >= CENTRE_POINTS:
        wider += [(*RADIAL[:count], "centre") for count in (1, 2, 3)]
    for free in wider:
        if not set(fit.free) < set(free) or len(set(free) - set(fit.free)) > 3:
            continue
        # Points near the corner that the smaller model cannot reach must have their say again.
        larger = _fit(views, half, middle, free)
        again = fit if (fit.kept == larger.kept).all() else _fit(
            views, half, middle, fit.free, larger.kept, trim=False
        )  # fmt: skip
        more = len(larger.solution) - len(again.solution)
        gain = max(again.square - larger.square, 0.0) / larger.inflation
        if is_better(larger.square + gain, larger.square, larger.freedom, more):
            fit = larger
    if "centre" in fit.free and not fit.knows_its_centre:
        fit = _fit(views, half, middle, (*fit.free[:-1], "tangent"))
    return fit


def tangential(away: Array, tangent: Array) -> Array:
    """How far a decentred lens moves points (n, 2) from the axis: t r^2 + 2 (t . r) r (Brown 1966)."""
    square = (away**2).sum(axis=-1, keepdims=True)
    return np.asarray(tangent * square + 2 * (away @ tangent)[..., None] * away)


def _radial(p: Array, free: tuple[str, ...]) -> tuple[float, float, float]:
    k1, k2, k3 = (float(p[n]) if name in free else 0.0 for n, name in enumerate(RADIAL))
    return k1, k2, k3


def _fit(
    views: Sequence[View], half: float, middle: Array, free: tuple[str, ...],
    kept: npt.NDArray[np.bool_] | None = None, *, trim: bool = True,
) -> Fit:  # fmt: skip
    """Least squares with points far from the rest left out."""
    start, sizes = _start(views, half, middle)
    lens = len(set(free) & set(RADIAL)) + 2 * ("centre" in free or "tangent" in free)
    total = sum(len(view.points) for view in views)
    kept = np.ones(total, dtype=bool) if kept is None else kept
    guess = np.concatenate([np.zeros(lens), start])
    for _ in range(4 if trim else 1):

        def residuals(p: Array, kept: npt.NDArray[np.bool_] = kept) -> Array:
            found, prior = _residuals(p, views, sizes, half, middle, free)
            used = found[kept].ravel()
            return np.concatenate([used[np.isfinite(used)], prior])

        def slopes(
            p: Array, residuals: Callable[[Array], Array] = residuals,
            kept: npt.NDArray[np.bool_] = kept,
        ) -> Array:  # fmt: skip
            return _jacobian(residuals, p, views, sizes, kept)

        solved: OptimizeResult = least_squares(
            residuals, guess, jac=slopes, method="lm", x_scale="jac"
        )
        guess = solved.x
        every, _ = _residuals(guess, views, sizes, half, middle, free)
        gap = np.sqrt(np.nansum(every**2, axis=1))
        limit = OUTLIER_SCATTERS * SIGMA_OF_MAD * float(np.median(gap[kept])) + 1e-9
        again = gap <= limit
        if not trim or (again == kept).all() or again.sum() < 0.7 * total:
            break
        kept = again
    rest = every[kept]
    count = int(np.isfinite(rest).sum())
    freedom = max(1, count - len(guess))
    square = float(np.nansum(rest**2))
    variance = square / freedom
    information = solved.jac.T @ solved.jac
    inflation = _inflation(views, every, kept)
    covariance = np.linalg.pinv(information) * variance * inflation
    return Fit(
        free, guess, covariance, math.sqrt(variance), square, freedom, kept, every, inflation
    )


def _inflation(views: Sequence[View], residuals: Array, kept: npt.NDArray[np.bool_]) -> float:
    """By how much neighbours that err together raise variances: (1 + r) / (1 - r) along each axis,
    for their correlation r (first-order autocorrelation, Bartlett 1935)."""
    product, square, pairs, start = 0.0, 0.0, 0, 0
    axes = 1
    for view in views:
        own = slice(start, start + len(view.points))
        start += len(view.points)
        rest = residuals[own][kept[own]]
        if isinstance(view, RulingView):
            gap = rest[:, 0]
            product += float(gap[1:] @ gap[:-1])
            square += float(gap[1:] @ gap[1:] + gap[:-1] @ gap[:-1]) / 2
            pairs += len(gap) - 1
            continue
        axes = 2
        place = {tuple(at): n for n, at in enumerate(view.index[kept[own]].tolist())}
        for (i, j), here in place.items():
            for beside in ((i + 1, j), (i, j + 1)):
                there = place.get(beside)
                if there is not None:
                    product += float(rest[here] @ rest[there])
                    square += float(rest[here] @ rest[here] + rest[there] @ rest[there]) / 2
                    pairs += 1
    if square <= 0 or pairs < 8:
        return 1.0
    return chain_inflation(product / square, pairs) ** axes


def _jacobian(
    residuals: Callable[[Array], Array], p: Array, views: Sequence[View], sizes: Sequence[int],
    kept: npt.NDArray[np.bool_],
) -> Array:  # fmt: skip
    """By differences; a view's own parameters move its own points only, so that the same one of
    every view can be moved at once."""

    def slope(columns: Sequence[int]) -> Array:
        step = np.zeros_like(p)
        step[list(columns)] = DIFFERENCE
        return np.asarray((residuals(p + step) - residuals(p - step)) / (2 * DIFFERENCE))

    common = p.size - sum(sizes)
    rows = _rows_of_views(views, kept)
    out = np.zeros((max(int(part.max(initial=-1)) for part in rows) + 1, p.size))
    for column in range(common):
        out[:, column] = slope([column])
    starts = common + np.cumsum([0, *sizes[:-1]])
    for number in range(max(sizes)):
        having = [k for k, size in enumerate(sizes) if number < size]
        moved = slope([int(starts[k]) + number for k in having])
        for k in having:
            out[rows[k], starts[k] + number] = moved[rows[k]]
    return out


def _rows_of_views(
    views: Sequence[View], kept: npt.NDArray[np.bool_]
) -> list[npt.NDArray[np.int64]]:
    """Which residuals belong to which view: those of its kept points, and a ruling's prior."""
    point, row = 0, 0
    parts: list[npt.NDArray[np.int64]] = []
    for view in views:
        each = 2 if isinstance(view, GridView) else 1
        count = each * int(kept[point : point + len(view.points)].sum())
        parts.append(np.arange(row, row + count))
        point, row = point + len(view.points), row + count
    for number, view in enumerate(views):
        if isinstance(view, RulingView):
            parts[number] = np.append(parts[number], row)
            row += 1
    return parts


def _start(views: Sequence[View], half: float, middle: Array) -> tuple[Array, list[int]]:
    """First guesses: a homography for each grid; a common division, then place and direction of
    each ruling. All in half diagonals from the middle."""
    start: list[float] = []
    sizes = []
    rulings = [view for view in views if isinstance(view, RulingView)]
    if rulings:
        start.append(float(np.median([_division(view) for view in rulings])) / half)
    for view in views:
        at = (view.points - middle) / half
        if isinstance(view, GridView):
            matrix, _ = cv2.findHomography(_centred(view.index), at, 0)
            if matrix is None:
                raise NotMeasurable("the points of a photo lie on one line, not on a grid")
            start += (matrix / matrix[2, 2]).ravel()[:8].tolist()
            sizes.append(8)
        else:
            along = at @ np.array([math.cos(view.direction), math.sin(view.direction)])
            numbers = _middle_number(view)
            start += [float(np.mean(along - numbers * start[0])), 0.0]
            sizes.append(2)
    return np.array(start), sizes


def _division(view: RulingView) -> float:
    along = view.points @ np.array([math.cos(view.direction), math.sin(view.direction)])
    return float(np.polyfit(view.numbers, along, 1)[0])


def _centred(index: npt.NDArray[np.int64]) -> Array:
    """Places on the object about zero and about one in size: keeps the fit well conditioned."""
    return np.asarray((index - index.mean(axis=0)) / max(float(np.ptp(index)), 1.0))


def _middle_number(view: RulingView) -> Array:
    return np.asarray(view.numbers - np.mean(view.numbers), dtype=np.float64)


def _residuals(
    p: Array, views: Sequence[View], sizes: Sequence[int], half: float, middle: Array,
    free: tuple[str, ...],
) -> tuple[Array, Array]:  # fmt: skip
    """Distances of points from the model in half diagonals, (points, 2), the second NaN for rulings,
    which are measured along themselves only; and what is known of rulings' directions."""
    k1, k2, k3 = _radial(p, free)
    at = len(set(free) & set(RADIAL))
    centre = tangent = np.zeros(2)
    if "centre" in free:
        centre, at = p[at : at + 2], at + 2
    elif "tangent" in free:
        tangent, at = p[at : at + 2], at + 2
    division = 0.0
    if any(isinstance(view, RulingView) for view in views):
        division, at = p[at], at + 1
    out, priors = [], []
    for view, size in zip(views, sizes, strict=True):
        own = p[at : at + size]
        at += size
        seen = (view.points - middle) / half
        if isinstance(view, GridView):
            ideal = _homography(own, _centred(view.index)) - centre
            moved = distorted(ideal, k1, k2, k3) + tangential(ideal, tangent)
            out.append(moved + centre - seen)
            continue
        angle = view.direction + own[1]
        off = seen - centre
        ideal = centre + undistorted(off - tangential(off, tangent), k1, k2, k3)
        along = ideal @ np.array([math.cos(angle), math.sin(angle)])
        gap = along - (own[0] + division * _middle_number(view))
        out.append(np.column_stack([gap, np.full_like(gap, np.nan)]))
        priors.append(own[1] / TILT_KNOWN * USUAL_SCATTER)
    return np.concatenate(out), np.array(priors)


def _homography(own: Array, places: Array) -> Array:
    below = own[6] * places[:, 0] + own[7] * places[:, 1] + 1
    x = own[0] * places[:, 0] + own[1] * places[:, 1] + own[2]
    y = own[3] * places[:, 0] + own[4] * places[:, 1] + own[5]
    return np.column_stack([x / below, y / below])
