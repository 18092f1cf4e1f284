"""Radial lens distortion: one model, in one frame, for everything that measures or removes it.

Model: r_d = r_u (1 + k1 r_u^2 + k2 r_u^4), the radial terms of Brown 1966, radii from the optical axis
in units of half the photo's diagonal; negative for barrel. The axis is taken to be the photo's middle.
The lens does not move when a person crops: a `Frame` belongs to the photo, and a part of the photo
is measured in the photo's own frame, seen from the part's corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]

USUAL_DISTORTION = 0.005
"""Standard deviation of the radial distortion at the corner of the picture expected of a microscope
before anything is measured: half a percent (common practice, no source). It enters the uncertainty
where what is measured is too small to show the distortion itself."""

HIGHER_ORDER_PASSES = 3
"""Passes of a linear fit whose `higher_orders` are those of the pass before: each gains a factor
of about 3 k, so that three reach 1e-6 of the distortion at k of 3 %."""


@dataclass(frozen=True)
class Frame:
    """Where the optical axis lies (column `x`, row `y`, px, (0, 0) the middle of the top left px) and
    half the photo's diagonal, px."""

    x: float
    y: float
    half_diagonal: float

    @classmethod
    def of(cls, photo: tuple[int, ...], corner: tuple[int, int] = (0, 0)) -> Frame:
        """The frame of a photo of this shape (height, width[, ...]), in px of the part of it that
        begins at `corner` (column, row)."""
        height, width = photo[:2]
        return cls(
            (width - 1) / 2 - corner[0], (height - 1) / 2 - corner[1], math.hypot(height, width) / 2
        )

    def seen_from(self, x: float, y: float) -> Frame:
        """The same in px of a part that begins at this column and row."""
        return Frame(self.x - x, self.y - y, self.half_diagonal)

    def reduced(self, factor: float) -> Frame:
        """The same in px of a copy averaged over `factor` x `factor` px from the top left."""
        shift = (factor - 1) / 2
        return Frame(
            (self.x - shift) / factor, (self.y - shift) / factor, self.half_diagonal / factor
        )

    def transposed(self) -> Frame:
        """The same with columns and rows exchanged."""
        return Frame(self.y, self.x, self.half_diagonal)

    @property
    def axis(self) -> npt.NDArray[np.float64]:
        """The optical axis as (column, row) px."""
        return np.array([self.x, self.y])

    def from_axis(self, points: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Points (n, 2), column and row in px, from the axis in half diagonals."""
        return np.asarray((np.asarray(points, dtype=np.float64) - self.axis) / self.half_diagonal)

    def square(self, points: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Squared radius of points (n, 2) in half diagonals, (n,)."""
        return np.asarray((self.from_axis(points) ** 2).sum(axis=-1))

    def distorted(self, points: npt.ArrayLike, k1: float, k2: float = 0.0) -> Array:
        """Where the lens shows points (n, 2) px that a perfect lens would show at `points`."""
        return np.asarray(
            self.axis + self.half_diagonal * distorted(self.from_axis(points), k1, k2)
        )

    def undistorted(self, points: npt.ArrayLike, k1: float, k2: float = 0.0) -> Array:
        """Where a perfect lens would show points (n, 2) px that this one shows at `points`."""
        return np.asarray(
            self.axis + self.half_diagonal * undistorted(self.from_axis(points), k1, k2)
        )


def distorted(away: Array, k1: float, k2: float = 0.0, k3: float = 0.0) -> Array:
    """Points (n, 2) from the axis in half diagonals, moved by the lens; `k3` is of the sixth power."""
    square = (away**2).sum(axis=-1, keepdims=True)
    return np.asarray(away * (1 + square * (k1 + square * (k2 + square * k3))))


def undistorted(away: Array, k1: float, k2: float = 0.0, k3: float = 0.0) -> Array:
    """Points (n, 2) from the axis in half diagonals, moved back to where they would be."""
    radius = np.hypot(away[..., :1], away[..., 1:])
    share = undistorted_radius(radius, k1, k2, k3) / np.maximum(radius, 1e-12)
    return np.asarray(away * share)


def undistorted_radius(
    radius: npt.ArrayLike, k1: float, k2: float = 0.0, k3: float = 0.0
) -> npt.NDArray[np.float64]:
    """r_u of r_d = r_u (1 + k1 r_u^2 + k2 r_u^4 + k3 r_u^6), by Newton's iteration, kept on the first
    branch."""
    r_d = np.asarray(radius, dtype=np.float64)
    r = r_d.copy()
    if k1 == 0 and k2 == 0 and k3 == 0:
        return r
    for _ in range(30):
        square = r**2
        slope = np.maximum(1 + square * (3 * k1 + square * (5 * k2 + square * 7 * k3)), 0.1)
        step = (r * (1 + square * (k1 + square * (k2 + square * k3))) - r_d) / slope
        r = r - np.clip(step, -0.3, 0.3)
        if float(np.abs(step).max(initial=0.0)) < 1e-12:
            break
    return np.asarray(r)


def at_picture_corner(k1: float, k2: float = 0.0) -> float:
    """The distortion that the coefficients make at the picture's corner, relative.

    (r_d - r_u) / r_u where r_d is 1, half the diagonal of the picture (geometric distortion in the
    sense of ISO 17850, from memory). For barrel it is more than k1, because the corner shows what
    lies farther out.
    """
    return 1 / float(undistorted_radius(1.0, k1, k2)) - 1


def higher_orders(k: float, square: Array) -> Array:
    """What the inverse of r_d = r_u (1 + k r_u^2) holds beyond its linear term in k.

    r_u = r_d (1 - k r_d^2 + 3 k^2 r_d^4 - 12 k^3 r_d^6 + ...), the Lagrange inversion of the cubic;
    returns the sum from 3 k^2 on, for `square` = r_d^2. With it a fit that is linear in k finds k:
    x (1 + higher) = x_u + k x r_d^2.
    """
    return np.asarray(3 * k**2 * square**2 - 12 * k**3 * square**3)


def posterior(k: float, error: float) -> float:
    """Root mean square of a distortion, given what a fit that does not see it says (k, its standard
    error) and what is usual (normal about 0, `USUAL_DISTORTION`)."""
    if not math.isfinite(error):
        return USUAL_DISTORTION
    trust = USUAL_DISTORTION**2 / (USUAL_DISTORTION**2 + error**2)
    return math.sqrt((trust * k) ** 2 + trust * error**2)
