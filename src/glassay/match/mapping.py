"""Where the points of one photo lie in another: similarity, tilt and lens distortion.

Photo points are (column, row) in px with (0, 0) at the middle of the top left pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from glassay.distortion import Frame

Points = npt.NDArray[np.float64]
Matrix = npt.NDArray[np.float64]

DERIVATIVE_STEP_PX = 0.5
"""Step of the central differences of `Mapping.jacobian`; the mapping is smooth over hundreds of
px, so anything from 0.01 to 5 gives the same."""


@dataclass(frozen=True, eq=False)
class Mapping:
    """From px of one photo to px of another.

    `matrix` is the 3 x 3 homography between the photos as lenses without distortion would have
    taken them. `from_k` and `to_k` are the radial distortions r_d = r_u (1 + k r_u^2) of the two
    photos, radii in half diagonals about their middles. `from_shape` and `to_shape` are
    (height, width).
    """

    matrix: Matrix
    from_shape: tuple[int, int]
    to_shape: tuple[int, int]
    from_k: float = 0.0
    to_k: float = 0.0

    def __call__(self, points: npt.ArrayLike) -> Points:
        """Points (n, 2) of the one photo as points (n, 2) of the other."""
        p = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        straight = Frame.of(self.from_shape).undistorted(p, self.from_k) if self.from_k else p
        x, y, m = straight[:, 0], straight[:, 1], self.matrix
        q: Points = np.empty_like(straight)
        q[:, 0] = m[0, 0] * x + m[0, 1] * y + m[0, 2]
        q[:, 1] = m[1, 0] * x + m[1, 1] * y + m[1, 2]
        if m[2, 0] or m[2, 1]:
            q /= (m[2, 0] * x + m[2, 1] * y + m[2, 2])[:, None]
        elif m[2, 2] != 1:
            q /= m[2, 2]
        return Frame.of(self.to_shape).distorted(q, self.to_k) if self.to_k else q

    def inverse(self) -> Mapping:
        """The mapping the other way."""
        inverted = np.linalg.inv(self.matrix)
        return Mapping(
            inverted / inverted[2, 2], self.to_shape, self.from_shape, self.to_k, self.from_k
        )

    def jacobian(self, points: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Derivative at each point, (n, 2, 2): [[dx'/dx, dx'/dy], [dy'/dx, dy'/dy]]."""
        p = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        columns = []
        for step in (np.array([DERIVATIVE_STEP_PX, 0]), np.array([0, DERIVATIVE_STEP_PX])):
            columns.append((self(p + step) - self(p - step)) / (2 * DERIVATIVE_STEP_PX))
        return np.stack(columns, axis=2)

    def scale_at(self, point: npt.ArrayLike) -> float:
        """Linear magnification at a point: px of the other photo per px of this one."""
        return math.sqrt(abs(float(np.linalg.det(self.jacobian(point)[0]))))

    def rotation_at(self, point: npt.ArrayLike) -> float:
        """Turn of the content at a point in deg; positive looks clockwise (rows run down)."""
        j = self.jacobian(point)[0]
        return math.degrees(math.atan2(j[1, 0] - j[0, 1], j[0, 0] + j[1, 1]))

    def stretch_at(self, point: npt.ArrayLike) -> float:
        """Ratio of the largest to the smallest magnification at a point; 1 for a similarity."""
        values = np.linalg.svd(self.jacobian(point)[0], compute_uv=False)
        return float(values[0] / values[1])

    def with_matrix(self, matrix: Matrix) -> Mapping:
        """The same distortions with another homography."""
        return replace(self, matrix=matrix / matrix[2, 2])


def similarity(scale: float, rotation_deg: float, shift: npt.ArrayLike) -> Matrix:
    """The 3 x 3 matrix of scale, turn (clockwise as seen) and shift (x, y) px."""
    c, s = math.cos(math.radians(rotation_deg)), math.sin(math.radians(rotation_deg))
    x, y = np.asarray(shift, dtype=np.float64)
    return np.array([[scale * c, -scale * s, x], [scale * s, scale * c, y], [0.0, 0.0, 1.0]])


def enlarged(factor: int) -> Matrix:
    """From px of a photo averaged over `factor` x `factor` to px of the photo itself."""
    return similarity(factor, 0.0, ((factor - 1) / 2, (factor - 1) / 2))


def outline(shape: tuple[int, int], per_side: int = 16) -> Points:
    """Points along the rim of a photo, clockwise from the top left."""
    height, width = shape
    t = np.linspace(0, 1, per_side, endpoint=False)
    corners = np.array(
        [(-0.5, -0.5), (width - 0.5, -0.5), (width - 0.5, height - 0.5), (-0.5, height - 0.5)]
    )
    sides = [
        a + t[:, None] * (b - a) for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)
    ]
    return np.concatenate(sides)
