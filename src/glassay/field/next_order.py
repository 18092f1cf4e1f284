"""What a radial model leaves open: the term after its last, points that it does not reach, and what a
decentred lens does."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.distortion import USUAL_DISTORTION, Frame
from glassay.field.distortion_fit import Fit, tangential

Array = npt.NDArray[Any]

SHOWS = 3.0
"""Standard errors at which a further term would have shown."""
RIM, FEWEST_OFF = 0.8, 3
"""Share of the reach from which points are at the rim, and how many must stand off there."""
SIDED = 0.8
"""How much of their standing off must be to one side: dust has none."""


def unseen_order(fit: Fit, radius: float, radii: Array) -> float:
    """What the radial term after the last one fitted may add at a radius, relative.

    A term too small to be seen is at most `SHOWS` standard errors of what the terms before it (and
    the object's size) leave of it over the points' radii; at other radii it is what they leave of it
    there, which grows fast beyond the outermost point.
    """
    used = radii[fit.kept]
    order = fit.orders + 1

    def left_by(at: Array, terms: Array) -> Array:
        powers = at[:, None] ** (2 * np.arange(order))
        return np.asarray(at ** (2 * order) - powers @ terms)

    # Weighted by the radius: what moves a point is the relative distortion times that.
    powers = used[:, None] ** (2 * np.arange(order))
    terms = np.linalg.lstsq(used[:, None] * powers, used ** (2 * order + 1), rcond=None)[0]
    seen = math.sqrt(float(np.sum((used * left_by(used, terms)) ** 2)))
    # The size of the object takes the constant term; the distortion is told from the middle on.
    terms[0] = 0.0
    left = abs(float(left_by(np.array([radius]), terms)[0]))
    coefficient = SHOWS * fit.scatter * math.sqrt(fit.inflation) / max(seen, 1e-12)
    return min(coefficient, USUAL_DISTORTION) * left


def rim_standing_off(fit: Fit, away: Array) -> float:
    """How far points at the rim that were left out stand off along the radius, all to one side,
    relative to the radius and taken to the corner; 0 where they do not. `away` (points, 2) are all
    points from the centre in half diagonals."""
    radii = np.hypot(*away.T)
    radial = (fit.residuals * away).sum(axis=1) / np.maximum(radii, 1e-12)
    off = ~fit.kept & (radii > RIM * radii.max()) & np.isfinite(radial)
    if off.sum() < FEWEST_OFF:
        return 0.0
    relative = radial[off] / radii[off]
    sided = abs(float(relative.sum())) / max(float(np.abs(relative).sum()), 1e-12)
    if sided < SIDED:
        return 0.0
    return float(np.abs(relative).max() / radii.max() ** 2)


def decentring(tangent: Array, shape: tuple[int, int]) -> float:
    """How far the tangential terms move the corner of a picture (height, width) that they move most,
    relative to half its diagonal, beside what the perspective of a flat object would do as well."""
    if not tangent.any():
        return 0.0
    height, width = shape
    frame = Frame.of(shape)
    x, y = np.meshgrid(np.linspace(0, width - 1, 21), np.linspace(0, height - 1, 21))
    away = frame.from_axis(np.column_stack([x.ravel(), y.ravel()]))
    moved = tangential(away, tangent)
    x, y = away.T
    none, one = np.zeros_like(x), np.ones_like(x)
    plane = np.concatenate([
        np.column_stack([one, x, y, none, none, none, x * x, x * y]),
        np.column_stack([none, none, none, one, x, y, x * y, y * y]),
    ])  # fmt: skip
    taken = plane @ np.linalg.lstsq(plane, moved.T.ravel(), rcond=None)[0]
    rest = moved - taken.reshape(2, -1).T
    corners = [0, 20, -21, -1]
    return float(np.hypot(*rest[corners].T).max())
