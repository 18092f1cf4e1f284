"""The one lens that all tiles of a setting share, and rigid places on the mosaic.

Model: r_d = r_u (1 + k1 r_u^2 + k2 r_u^4), from undistorted to distorted, the radial terms of Brown
1966, with radii in units of half the photo's diagonal about the photo's middle. The frame is the
same as that of the distortion measured on grids, so the coefficients can be compared.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Points = npt.NDArray[np.float64]

NEWTON_ROUNDS = 8
"""Rounds to invert the radial polynomial at most: 1e-10 at 30 % distortion; four do at percents."""


@dataclass(frozen=True, slots=True)
class Lens:
    """Radial distortion of photos of `shape` (height, width)."""

    shape: tuple[int, int]
    k1: float = 0.0
    k2: float = 0.0

    @property
    def middle(self) -> Points:
        """Middle of the photo (column, row)."""
        return np.array([(self.shape[1] - 1) / 2, (self.shape[0] - 1) / 2])

    @property
    def half_diagonal(self) -> float:
        """Half the photo's diagonal, px."""
        return math.hypot(*self.shape) / 2

    def undistorted(self, points: Points) -> Points:
        """Where a lens without distortion would show points (n, 2) of the photo, px."""
        if not self.k1 and not self.k2:
            return points
        away = (points - self.middle) / self.half_diagonal
        seen = np.hypot(away[..., 0], away[..., 1])
        radius = seen.copy()
        for _ in range(NEWTON_ROUNDS):
            square = radius * radius
            value = radius * (1 + square * (self.k1 + square * self.k2)) - seen
            slope = 1 + square * (3 * self.k1 + 5 * square * self.k2)
            step = value / np.maximum(slope, 0.1)
            radius -= step
            if not step.size or float(np.abs(step).max()) < 1e-12:
                break
        stretch = np.where(seen > 0, radius / np.maximum(seen, 1e-12), 1.0)
        return np.asarray(self.middle + away * stretch[..., None] * self.half_diagonal)

    def border(self, matrix: Points) -> Points:
        """The photo's border, (n, 2), once around from its top left corner, where `matrix` puts it."""
        height, width = self.shape
        x, y = np.linspace(0, width - 1, 9), np.linspace(0, height - 1, 9)
        edge = np.concatenate([
            np.stack([x, 0 * x], 1), np.stack([0 * y + width - 1, y], 1),
            np.stack([x[::-1], 0 * x + height - 1], 1), np.stack([0 * y, y[::-1]], 1),
        ])  # fmt: skip
        return applied(matrix, self.undistorted(edge))

    def distorted(self, points: Points) -> Points:
        """The inverse of `undistorted`."""
        if not self.k1 and not self.k2:
            return points
        away = points - self.middle
        square = (away[..., 0] ** 2 + away[..., 1] ** 2) / self.half_diagonal**2
        # beyond the radius at which a barrel folds back, nothing of the photo is left
        stretch = 1 + square * (self.k1 + square * self.k2)
        slope = 1 + square * (3 * self.k1 + 5 * square * self.k2)
        far = np.where(slope > 0.05, stretch, 10.0)
        return np.asarray(self.middle + away * far[..., None])

    def slopes(self, points: Points) -> Points:
        """Derivative of `undistorted` by k1 and k2 at photo points (n, 2): (n, 2, 2), px."""
        flat = (self.undistorted(points) - self.middle) / self.half_diagonal
        square = (flat**2).sum(axis=-1, keepdims=True)
        # r_d fixed: d r_u = -r_u^3 dk1 / (d r_d / d r_u), along the radius
        slope = 1 + square * (3 * self.k1 + 5 * square * self.k2)
        outwards = flat * square / np.maximum(slope, 0.1) * self.half_diagonal
        return np.stack([-outwards, -outwards * square], axis=-1)

    def corner_percent(self) -> float:
        """(r_d - r_u) / r_u at the photo's corner, percent: negative for barrel."""
        corner = np.array([[self.shape[1] - 1.0, self.shape[0] - 1.0]])
        flat = float(np.hypot(*(self.undistorted(corner) - self.middle)[0]) / self.half_diagonal)
        return 100 * (self.k1 * flat**2 + self.k2 * flat**4)


def similarity(angle: float, scale: float, x: float, y: float) -> Points:
    """2 x 3 matrix of a turn by `angle` (rad, clockwise as seen), a scale and a shift."""
    c, s = scale * math.cos(angle), scale * math.sin(angle)
    return np.array([[c, -s, x], [s, c, y]])


def applied(matrix: Points, points: Points) -> Points:
    """Points (n, 2) moved by a 2 x 3 matrix."""
    return np.asarray(points @ matrix[:, :2].T + matrix[:, 2])


def laid_upon(here: Points, there: Points, turn: float) -> Points:
    """The 2 x 3 matrix of a turn (radians) and the median shift that then puts points upon others."""
    c, s = np.cos(turn), np.sin(turn)
    linear = np.array([[c, -s], [s, c]])
    return np.column_stack([linear, np.median(there - here @ linear.T, axis=0)])


def inverse(matrix: Points) -> Points:
    """Inverse of a 2 x 3 matrix."""
    linear = np.linalg.inv(matrix[:, :2])
    return np.column_stack([linear, -linear @ matrix[:, 2]])


def composed(second: Points, first: Points) -> Points:
    """The 2 x 3 matrix of `first`, then `second`."""
    return np.column_stack(
        [second[:, :2] @ first[:, :2], second[:, :2] @ first[:, 2] + second[:, 2]]
    )
