"""Geometric distortion: a radial model through points that lie evenly on a flat object.

Model: the undistorted picture of a flat object is a perspective view of it (a homography); the lens
then moves every point along the radius from the optical axis, r_d = r_u (1 + k1 r_u^2 + k2 r_u^4),
the radial terms of Brown 1966, with radii in units of half the picture's diagonal. Because the
homography is free, no focal length is needed, and an object that does not lie squarely under the
lens is no distortion. Reported is (r_d - r_u) / r_u at the picture's corner (geometric distortion
in the sense of ISO 17850, from memory): negative for barrel, positive for pincushion.

Grids and chessboards give points in both directions. A ruled scale gives places along itself only;
photographed at several positions in one setting, at the same focus, it must have one division
everywhere, which is what shows the distortion.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import OptimizeResult, least_squares

from glassay.distortion import (
    USUAL_DISTORTION,
    Frame,
    distorted,
    undistorted,
    undistorted_radius,
)
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.fitting import SIGMA_OF_MAD, chain_inflation, is_better
from glassay.quantity import Contribution, Quantity

Array = npt.NDArray[np.float64]

METHOD = "radial model of points on a flat object"

OUTLIER_SCATTERS = 4.0
LEAST_POINTS = 12
LEAST_REACH = 0.35
"""Least radius, in half diagonals, that points must reach: beyond three times that, a cubic law is
a guess."""
TILT_KNOWN = math.radians(0.2)
"""Standard uncertainty with which a ruled scale's direction is taken from its own measurement."""
DIFFERENCE = 1e-6
USUAL_SCATTER = 1e-4
"""Scatter of lines in half diagonals (0.05 px in a megapixel), which sets the weight of that."""
BENT_LINES = 0.01
"""Relative standard uncertainty where rulings are used: their bent lines are taken as straight. Four
simulated photos of a scale at -5.6 % gave a distortion 0.6 % too small."""
BENT_POINTS = (0.004, 0.008)
"""Standard uncertainty, relative and in percent, for middles of cells, dots and lines that the lens
bends and colour fringes pull: simulated grids were off by 0.002 to 0.015 % beyond their scatter."""
MOST_DISTORTION = 0.6
CENTRE_POINTS = 80
"""Points from which on the distortion's centre may be fitted instead of assumed in the middle."""


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
class Distortion:
    """The radial distortion of one setting.

    `corner` is percent at the picture's corner, `edge` in the middle of its longer side's end.
    `k1`, `k2` (0 where not needed) are the model's coefficients for radii in half diagonals,
    `centre` (column, row) the point that they turn about, fitted if `centre_fitted`. `scatter_px`
    is the rms distance of points from the model, per axis. `points` (n, 2) are all points used,
    `moved` (n, 2) how far distortion moved each, px.
    """

    shape: tuple[int, int]
    corner: Quantity
    edge: Quantity
    k1: float
    k2: float
    centre: tuple[float, float]
    centre_fitted: bool
    scatter_px: float
    views: int
    reach: float
    points: Array
    moved: Array
    notes: tuple[str, ...]

    def findings(self) -> dict[str, Finding]:
        """distortion_corner, distortion_edge (percent), distortion_points."""
        return {
            "distortion_corner": Finding(self.corner, METHOD),
            "distortion_edge": Finding(self.edge, METHOD),
            "distortion_points": Finding(len(self.points), METHOD),
        }

    def evidence(self) -> dict[str, Any]:
        """Points and how far each was moved (px), coefficients, centre and the photo's shape."""
        step = max(1, len(self.points) // 400)
        return {
            "shape": self.shape,
            "points": np.round(self.points[::step], 1),
            "moved": np.round(self.moved[::step], 3),
            "k1": self.k1,
            "k2": self.k2,
            "centre": self.centre,
        }

    def percent_at(self, radius: npt.ArrayLike) -> Array:
        """Distortion in percent at distances from the centre in the picture, half diagonals."""
        radius = np.asarray(radius, dtype=np.float64)
        ideal = undistorted_radius(radius, self.k1, self.k2)
        return np.asarray(100 * (self.k1 * ideal**2 + self.k2 * ideal**4))


def measure_distortion(
    views: Sequence[View], shape: tuple[int, int], *, notes: tuple[str, ...] = ()
) -> Distortion:
    """Fit the radial model to all views of one setting together; `shape` is (height, width).

    Starts from k1 alone about the picture's middle; k2, and the centre, are fitted when an F test
    says so. Raises NotMeasurable for too few points, points near the middle only, and a single
    photo of a ruled scale whose lines cannot show it.
    """
    views = [view for view in views if len(view.points)]
    total = sum(len(view.points) for view in views)
    if total < LEAST_POINTS:
        raise NotMeasurable(f"{total} points are too few for distortion; {LEAST_POINTS} are needed")
    frame = Frame.of(shape)
    half, middle = frame.half_diagonal, frame.axis
    reach = max(float(np.hypot(*(view.points - middle).T).max()) for view in views) / half
    if reach < LEAST_REACH:
        raise NotMeasurable(
            f"the points reach only {reach:.0%} of the way to the corner: fill the field, or add"
            " photos with the scale near its border"
        )
    fit = _best_fit(views, half, middle)
    k1, k2 = fit.solution[0], fit.solution[1] if "k2" in fit.free else 0.0
    centre = fit.centre(middle, half)
    if abs(k1) + abs(k2) > MOST_DISTORTION or 1 + 3 * k1 + 5 * k2 <= 0.05:
        raise NotMeasurable("the points do not follow a radial distortion that a lens can have")
    points = np.concatenate([view.points for view in views])
    edge_radius = max(shape) / 2 / half
    has_rulings = any(isinstance(view, RulingView) for view in views)
    moved = _moved(points, centre, half, k1, k2)
    return Distortion(
        shape=shape,
        corner=_percent(fit, 1.0, reach, has_rulings),
        edge=_percent(fit, edge_radius, reach, has_rulings),
        k1=k1,
        k2=k2,
        centre=(float(centre[0]), float(centre[1])),
        centre_fitted="centre" in fit.free,
        scatter_px=fit.scatter * half,
        views=len(views),
        reach=reach,
        points=points[fit.kept],
        moved=moved[fit.kept],
        notes=notes + _notes(fit, views, reach, centre, middle, half),
    )


def _moved(points: Array, centre: Array, half: float, k1: float, k2: float) -> Array:
    frame = Frame(float(centre[0]), float(centre[1]), half)
    return np.asarray(points - frame.undistorted(points, k1, k2))


@dataclass(frozen=True)
class _Fit:
    free: tuple[str, ...]
    solution: Array
    covariance: Array
    scatter: float  # per residual, in half diagonals
    square: float
    freedom: int
    kept: npt.NDArray[np.bool_]
    residuals: Array
    inflation: float

    def centre(self, middle: Array, half: float) -> Array:
        if "centre" not in self.free:
            return middle
        at = 1 + ("k2" in self.free)
        return np.asarray(middle + half * self.solution[at : at + 2])


def _best_fit(views: Sequence[View], half: float, middle: Array) -> _Fit:
    fit = _fit(views, half, middle, ("k1",))
    points = sum(len(v.points) for v in views if isinstance(v, GridView))
    wider = [("k1", "k2"), ("k1", "centre"), ("k1", "k2", "centre")]
    if points < CENTRE_POINTS:
        wider = wider[:1]
    for free in wider:
        if not set(fit.free) < set(free):
            continue
        larger = _fit(views, half, middle, free, fit.kept)
        again = fit if (fit.kept == larger.kept).all() else _fit(
            views, half, middle, fit.free, larger.kept, trim=False
        )  # fmt: skip
        more = len(larger.solution) - len(again.solution)
        gain = max(again.square - larger.square, 0.0) / larger.inflation
        if is_better(larger.square + gain, larger.square, larger.freedom, more):
            fit = larger
    return fit


def _fit(
    views: Sequence[View], half: float, middle: Array, free: tuple[str, ...],
    kept: npt.NDArray[np.bool_] | None = None, *, trim: bool = True,
) -> _Fit:  # fmt: skip
    """Least squares with points far from the rest left out."""
    start, sizes = _start(views, half, middle)
    lens = 1 + ("k2" in free) + 2 * ("centre" in free)
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
    return _Fit(
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
    k1 = p[0]
    k2 = p[1] if "k2" in free else 0.0
    at = 1 + ("k2" in free)
    centre = np.zeros(2)
    if "centre" in free:
        centre, at = p[at : at + 2], at + 2
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
            out.append(distorted(ideal, k1, k2) + centre - seen)
            continue
        angle = view.direction + own[1]
        ideal = centre + undistorted(seen - centre, k1, k2)
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


def _percent(fit: _Fit, radius: float, reach: float, has_rulings: bool) -> Quantity:
    """Distortion at a radius in the picture with what the fit and the model leave open."""
    names = ["k1"] + (["k2"] if "k2" in fit.free else [])
    k = fit.solution[: len(names)]

    def at(k: Array) -> float:
        ideal = float(undistorted_radius(radius, float(k[0]), float(k[1]) if len(k) > 1 else 0.0))
        return 100 * (float(k[0]) * ideal**2 + (float(k[1]) if len(k) > 1 else 0.0) * ideal**4)

    steps = np.eye(len(k)) * 1e-5
    slope = np.array([(at(k + step) - at(k - step)) / 2e-5 for step in steps])
    own = math.sqrt(float(slope @ fit.covariance[: len(k), : len(k)] @ slope))
    parts = [Contribution("fit of the points", own, float(fit.freedom))]
    parts.append(Contribution("bent cells and dots", BENT_POINTS[0] * abs(at(k)) + BENT_POINTS[1]))
    if has_rulings:
        parts.append(Contribution("lines bent by distortion", BENT_LINES * abs(at(k))))
    if "k2" not in fit.free:
        parts.append(Contribution("next order of the model", _unseen_order(fit, radius, reach)))
    return Quantity(at(k), "%", tuple(parts))


def _unseen_order(fit: _Fit, radius: float, reach: float) -> float:
    """What a fifth-order term too small to be seen may add, percent.

    A k2 that would have shown lies beyond some scatter over the points' radii: k2 reach^5 of at most
    the scatter over the root of their number. The cubic fit takes up about half of it; beyond the
    outermost point it grows with the fourth power of the radius.
    """
    count = max(1, int(fit.kept.sum()))
    k2 = 3 * fit.scatter / math.sqrt(count) / min(reach, 1.0) ** 5
    return 100 * min(k2, USUAL_DISTORTION) * radius**4 * max(0.15, 1 - min(reach, 1.0))


def _notes(
    fit: _Fit, views: Sequence[View], reach: float, centre: Array, middle: Array, half: float
) -> tuple[str, ...]:
    notes = []
    left = int((~fit.kept).sum())
    if left:
        notes.append(f"{left} of {len(fit.kept)} points stood off and were left out")
    if reach < 0.8:
        notes.append(
            f"points reach {reach:.0%} of the way to the corner; beyond, the model is extrapolated"
        )
    if "centre" in fit.free:
        away = float(np.hypot(*(centre - middle)))
        notes.append(f"the distortion's centre lies {away:.0f} px from the picture's middle")
    if all(isinstance(view, RulingView) for view in views) and len(views) == 1:
        notes.append(
            "one photo of a ruled scale: more photos with it elsewhere in the field are surer"
        )
    return tuple(notes)
