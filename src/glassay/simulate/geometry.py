"""Where a point of the object lands in the picture, and back.

Coordinates. Object points are (x, y) in um, y pointing down the picture. Picture points are
(column, row) in px with (0, 0) at the middle of the top left pixel, so that the middle of a picture
of width w is at (w - 1) / 2. The middle of the picture is the optical axis.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from glassay.simulate.table import between

Points = npt.NDArray[np.float64]
Image = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Pose:
    """How the object lies under the microscope.

    `pixel_size_um` is the paraxial distance on the object between neighbouring pixels of the
    camera's own sensor (before any enlargement of the stored picture). `tilt_deg` turns the
    object's x axis from the picture's columns direction towards its rows direction: a positive tilt
    looks clockwise in the picture. `centre_um` is the object point on the optical axis.
    """

    pixel_size_um: float = 1.0
    tilt_deg: float = 0.0
    centre_um: tuple[float, float] = (0.0, 0.0)


_LAST_GOOD = -0.143
"""k1 r_d^2 up to which barrel distortion is inverted; the model itself ends at -4/27 = -0.148."""


def radial_stretch(radius: Points, k1: float) -> Points:
    """Ratio distorted / undistorted radius, 1 + k1 r^2.

    Barrel distortion turns back at r = (-3 k1)^-1/2; shortly before, it is continued in a straight
    line, so that far points stay outside the picture instead of folding into it.
    """
    if k1 >= 0:
        return np.asarray(1 + k1 * radius**2)
    last = np.sqrt(0.3 / -k1)
    inner = np.minimum(radius, last)
    beyond = np.maximum(radius - last, 0)
    reached = inner * (1 + k1 * inner**2) + beyond * (1 + 3 * k1 * last**2)
    return np.asarray(reached / np.maximum(radius, 1e-12))


def radial_expansion(
    squared_radius: npt.NDArray[np.floating], k1: float
) -> npt.NDArray[np.floating]:
    """Ratio undistorted / distorted radius for the model r_d = r_u (1 + k1 r_u^2).

    `squared_radius` is r_d^2 in units in which `k1` is stated. Newton's iteration on
    g (1 + a g^2) = 1 with a = k1 r_d^2; for -0.14 < a < 1 it converges to 1e-6 in these steps.
    Barrel distortion reaches no radius with a < -4/27; there the last good ratio is kept.
    """
    if squared_radius.size > 2 * _TABLE_STEPS:
        return _expansion_by_table(squared_radius, k1)
    a = np.maximum(squared_radius * k1, _LAST_GOOD)
    g = 1 - a / (1 + 3 * a)
    for _ in range(5 if abs(k1) > 0.05 else 3):
        g2a = g * g * a
        g = g - g * (1 + g2a - 1 / g) / (1 + 3 * g2a)
    return np.asarray(g)


_TABLE_STEPS = 2**15
"""Steps of the table of many ratios: linear interpolation between them is right to 1e-8."""


def _expansion_by_table(
    squared_radius: npt.NDArray[np.floating], k1: float
) -> npt.NDArray[np.floating]:
    first, last = float(squared_radius.min()), float(squared_radius.max())
    scale = (_TABLE_STEPS - 1) / max(last - first, 1e-300)
    table = radial_expansion(np.linspace(first, last, _TABLE_STEPS), k1)
    return between(table, (squared_radius - first) * scale)


@dataclass(frozen=True)
class Mapping:
    """Object um to picture px for one colour: tilt, scale, radial distortion, lateral colour.

    `shape` is (height, width) of the picture that the px belong to. `k1` is stated for radii in
    units of half the picture's diagonal. `magnified` multiplies every distance from the axis.
    `enlargement` is (along columns, along rows): stored px per px of the sensor.
    """

    pose: Pose
    shape: tuple[int, int]
    k1: float = 0.0
    magnified: float = 1.0
    enlargement: tuple[float, float] = (1.0, 1.0)

    @property
    def half_diagonal(self) -> float:
        """Half the diagonal of the sensor's picture in sensor px."""
        return 0.5 * math.hypot(*self.shape)

    def to_px(self, points_um: npt.ArrayLike) -> Points:
        """Picture points, shape (n, 2), of object points of shape (n, 2)."""
        p = np.asarray(points_um, dtype=np.float64).reshape(-1, 2) - self.pose.centre_um
        c, s = self._turn()
        q: Points = np.stack([c * p[:, 0] - s * p[:, 1], s * p[:, 0] + c * p[:, 1]], axis=1)
        q /= self.pose.pixel_size_um
        r = np.hypot(q[:, :1], q[:, 1:]) / self.half_diagonal
        q *= radial_stretch(r, self.k1) * self.magnified
        q += ((self.shape[1] - 1) / 2, (self.shape[0] - 1) / 2)
        enlarged = np.asarray(self.enlargement)
        return np.asarray((q + 0.5) * enlarged - 0.5)

    def to_um(self, points_px: npt.ArrayLike) -> Points:
        """Object points, shape (n, 2), of picture points of shape (n, 2)."""
        p = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        p = (p + 0.5) / np.asarray(self.enlargement) - 0.5
        x, y = self.relative_um(p[:, 0], p[:, 1])
        relative: Points = np.stack([x, y], axis=1).astype(np.float64)
        return np.asarray(relative + self.pose.centre_um)

    def relative_um(self, column: Image, row: Image) -> tuple[Image, Image]:
        """Object coordinates relative to `pose.centre_um`, um, of sensor px (broadcast)."""
        dtype = np.result_type(column, row)
        scale = self.pose.pixel_size_um / self.magnified
        c, s = self._turn()
        x = column - (self.shape[1] - 1) / 2
        y = row - (self.shape[0] - 1) / 2
        along = (x * (c * scale) + y * (s * scale)).astype(dtype, copy=False)
        across = (y * (c * scale) - x * (s * scale)).astype(dtype, copy=False)
        if self.k1:
            r2 = (x * x + y * y) / (self.half_diagonal * self.magnified) ** 2
            expansion = radial_expansion(r2.astype(dtype, copy=False), self.k1)
            along *= expansion
            across *= expansion
        return along, across

    def _turn(self) -> tuple[float, float]:
        angle = math.radians(self.pose.tilt_deg)
        return math.cos(angle), math.sin(angle)
