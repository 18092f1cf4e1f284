"""Geometric distortion: a radial model through points that lie evenly on a flat object.

Model: the undistorted picture of a flat object is a perspective view of it (a homography); the lens
then moves every point along the radius from the optical axis, r_d = r_u (1 + k1 r_u^2 + k2 r_u^4 +
k3 r_u^6), the radial terms of Brown 1966, with radii in units of half the picture's diagonal. Because
the homography is free, no focal length is needed, and an object that does not lie squarely under the
lens is no distortion. Reported is (r_d - r_u) / r_u at the picture's corner (geometric distortion
in the sense of ISO 17850, from memory): negative for barrel, positive for pincushion.

Grids and chessboards give points in both directions. A ruled scale gives places along itself only;
photographed at several positions in one setting, at the same focus, it must have one division
everywhere, which is what shows the distortion.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.distortion import (
    Frame,
    undistorted,
    undistorted_radius,
)
from glassay.errors import NotMeasurable
from glassay.field.distortion_fit import Fit, RulingView, View, best_fit, tangential
from glassay.field.next_order import decentring, rim_standing_off, unseen_order
from glassay.finding import Finding
from glassay.quantity import Contribution, Quantity

Array = npt.NDArray[np.float64]

METHOD = "radial model of points on a flat object"

LEAST_POINTS = 12
LEAST_REACH = 0.35
"""Least radius, in half diagonals, that points must reach: beyond three times that, a cubic law is
a guess."""
BENT_LINES = 0.01
"""Relative standard uncertainty where rulings are used: their bent lines are taken as straight. Four
simulated photos of a scale at -5.6 % gave a distortion 0.6 % too small."""
BENT_POINTS = (0.004, 0.008)
"""Standard uncertainty, relative and in percent, for middles of cells, dots and lines that the lens
bends and colour fringes pull: simulated grids were off by 0.002 to 0.015 % beyond their scatter."""
MOST_DISTORTION = 0.6
"""Sum of both coefficients beyond which points are no grid seen through a lens: microscopes distort by
some per cent (common practice, no source), a fisheye by 0.3 or so."""


@dataclass(frozen=True)
class Distortion:
    """The radial distortion of one setting.

    `corner` is percent at the picture's corner, `edge` in the middle of its longer side's end.
    `k1`, `k2`, `k3` (0 where not needed) are the model's coefficients for radii in half diagonals,
    `decentred` how far (percent of half the diagonal) a lens whose parts stand beside each other moves
    the corner that it moves most, 0 if that does not show, `centre` (column, row) the point that they
    turn about, fitted if `centre_fitted`. `scatter_px` is the rms distance of points from the model,
    per axis. `points` (n, 2) are all points used, `moved` (n, 2) how far distortion moved each, px.
    """

    shape: tuple[int, int]
    corner: Quantity
    edge: Quantity
    k1: float
    k2: float
    k3: float
    decentred: float
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
            "k3": self.k3,
            "centre": self.centre,
        }

    def percent_at(self, radius: npt.ArrayLike) -> Array:
        """Distortion in percent at distances from the centre in the picture, half diagonals."""
        radius = np.asarray(radius, dtype=np.float64)
        ideal = undistorted_radius(radius, self.k1, self.k2, self.k3)
        return np.asarray(100 * (self.k1 * ideal**2 + self.k2 * ideal**4 + self.k3 * ideal**6))


def measure_distortion(
    views: Sequence[View], shape: tuple[int, int], *, notes: tuple[str, ...] = ()
) -> Distortion:
    """Fit the radial model to all views of one setting together; `shape` is (height, width).

    Starts from k1 alone about the picture's middle; k2, k3 and the centre (or, where that is no place,
    tangential terms) are fitted when an F test says so. Raises NotMeasurable for too few points,
    points near the middle only, and a single
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
    fit = best_fit(views, half, middle)
    k1, k2, k3 = fit.radial
    centre = fit.centre(middle, half)
    if abs(k1) + abs(k2) + abs(k3) > MOST_DISTORTION or 1 + 3 * k1 + 5 * k2 + 7 * k3 <= 0.05:
        raise NotMeasurable("the points do not follow a radial distortion that a lens can have")
    points = np.concatenate([view.points for view in views])
    edge_radius = max(shape) / 2 / half
    has_rulings = any(isinstance(view, RulingView) for view in views)
    away = (points - centre) / half
    decentred = 100 * decentring(fit.tangent, shape)
    corner, edge = (_percent(fit, radius, away, has_rulings) for radius in (1.0, edge_radius))
    if decentred:
        corner, edge = (
            found.with_contribution("decentred lens", u, scope="setting")
            for found, u in ((corner, decentred / 2), (edge, decentred * edge_radius**2 / 2))
        )
    return Distortion(
        shape=shape,
        corner=corner,
        edge=edge,
        k1=k1,
        k2=k2,
        k3=k3,
        decentred=decentred,
        centre=(float(centre[0]), float(centre[1])),
        centre_fitted="centre" in fit.free,
        scatter_px=fit.scatter * half,
        views=len(views),
        reach=reach,
        points=points[fit.kept],
        moved=_moved(points, centre, half, fit)[fit.kept],
        notes=notes + _notes(fit, views, reach, shape, decentred),
    )


def _moved(points: Array, centre: Array, half: float, fit: Fit) -> Array:
    away = (points - centre) / half
    return np.asarray(
        half * (away - undistorted(away - tangential(away, fit.tangent), *fit.radial))
    )


def _percent(fit: Fit, radius: float, away: Array, has_rulings: bool) -> Quantity:
    """Distortion at a radius in the picture with what the fit and the model leave open; `away` are all
    points from the centre, half diagonals."""
    k = fit.solution[: fit.orders]

    def at(k: Array) -> float:
        terms = np.zeros(3)
        terms[: len(k)] = k
        square = float(undistorted_radius(radius, *terms.tolist())) ** 2
        return 100 * float(terms @ square ** np.arange(1, 4))

    steps = np.eye(len(k)) * 1e-5
    slope = np.array([(at(k + step) - at(k - step)) / 2e-5 for step in steps])
    own = math.sqrt(float(slope @ fit.covariance[: len(k), : len(k)] @ slope))
    parts = [Contribution("fit of the points", own, float(fit.freedom))]
    parts.append(
        Contribution(
            "bent cells and dots", BENT_POINTS[0] * abs(at(k)) + BENT_POINTS[1], scope="setting"
        )
    )
    if has_rulings:
        parts.append(
            Contribution("lines bent by distortion", BENT_LINES * abs(at(k)), scope="setting")
        )
    parts.append(
        Contribution(
            "next order of the model",
            100 * unseen_order(fit, radius, np.hypot(*away.T)),
            scope="setting",
        )
    )
    rim = rim_standing_off(fit, away)
    if rim:
        u = 100 * rim * radius**2
        parts.append(Contribution("points at the rim that stand off", u, scope="setting"))
    return Quantity(at(k), "%", tuple(parts))


def _notes(
    fit: Fit, views: Sequence[View], reach: float, shape: tuple[int, int], decentred: float
) -> tuple[str, ...]:
    notes = []
    left = int((~fit.kept).sum())
    if left:
        notes.append(f"{left} of {len(fit.kept)} points stood off and were left out")
    if reach < 0.8:
        notes.append(
            f"points reach {reach:.0%} of the way to the corner; beyond, the model is extrapolated"
        )
    frame = Frame.of(shape)
    off = fit.centre(frame.axis, frame.half_diagonal) - frame.axis
    if np.hypot(*off) >= 0.5:
        corners = frame.axis * np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]])
        radii = np.hypot(*(corners - off).T) / frame.half_diagonal
        percent = 100 * (radii / undistorted_radius(radii, *fit.radial) - 1)
        notes.append(
            f"the distortion's centre lies {np.hypot(*off):.0f} px from the picture's middle: the"
            f" corners have {percent.min():+.2f} to {percent.max():+.2f} %"
        )
    if decentred:
        notes.append(
            "the lens is decentred: beside the distortion given, which is the same all around, it moves"
            f" the corners by up to {decentred:.2g} % ({decentred / 100 * frame.half_diagonal:.2g} px)"
        )
    if all(isinstance(view, RulingView) for view in views) and len(views) == 1:
        notes.append(
            "one photo of a ruled scale: more photos with it elsewhere in the field are surer"
        )
    return tuple(notes)
