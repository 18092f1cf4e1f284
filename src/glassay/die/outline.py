"""A die's place in a photo: where its corners are, and how points go from the die to the photo and
back, with the lens in between."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.distortion import Frame
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity

Array = npt.NDArray[np.float64]

OTHER_SHAPE = 0.003
"""Largest difference between opposite sides, relative, that passes without a word."""


def directions_of(corners: Array) -> tuple[list[Array], list[Array], Array, float, list[str]]:
    """Of corners from the top left, clockwise: the sides across (top, bottom) and down (left, right) as
    vectors; their directions as turns of the width, rad; the tilt, weighted by length; and what must
    be said where they are none of a rectangle."""
    across = [corners[1] - corners[0], corners[2] - corners[3]]
    down = [corners[3] - corners[0], corners[2] - corners[1]]
    ways = [*across, *(np.array([v[1], -v[0]]) for v in down)]
    lengths = np.array([math.hypot(*v) for v in ways])
    turns = np.unwrap([math.atan2(v[1], v[0]) for v in ways])
    notes = []
    skew = max(abs(lengths[0] / lengths[1] - 1), abs(lengths[2] / lengths[3] - 1))
    if skew > OTHER_SHAPE or np.ptp(turns) > OTHER_SHAPE:
        notes.append(
            "opposite sides of the die are not alike: the microscope looks at it askew, or the die is"
            f" no true rectangle (lengths differ by {skew:.2%}, directions by"
            f" {math.degrees(float(np.ptp(turns))):.2f} deg)"
        )
    return across, down, turns, float((turns * lengths).sum() / lengths.sum()), notes


@dataclass(frozen=True)
class Outline:
    """A die's place in a photo. `corners` (4, 2) px of an undistorted photo, in order around it as
    seen from the top left: top left, top right, bottom right, bottom left. `k1` is the lens's (see
    `glassay.distortion`), `frame` the photo's. `width`, `height` px; `tilt` deg, clockwise as seen.
    `soft_px` is the standard deviation of the Gaussian that the sharpest side's rise has. `support`
    tells for each side (top, right, bottom, left) in what part of it its edge is seen. `by_hand`: a
    person set the corners."""

    corners: Array
    width: Quantity
    height: Quantity
    tilt: Quantity
    frame: Frame
    k1: float
    distortion: Quantity | None
    soft_px: float
    support: tuple[float, float, float, float]
    notes: tuple[str, ...] = ()
    by_hand: bool = False

    @property
    def axes(self) -> Array:
        """Unit vectors along the width and the height, rows."""
        angle = math.radians(self.tilt.value)
        c, s = math.cos(angle), math.sin(angle)
        return np.array([[c, s], [-s, c]])

    @property
    def origin(self) -> Array:
        """The top left corner of the rectangle of mean width and height, undistorted px."""
        half = np.array([self.width.value, self.height.value]) / 2
        return np.asarray(self.corners.mean(axis=0) - half @ self.axes)

    def to_photo(self, points: npt.ArrayLike) -> Array:
        """Photo px of points (n, 2) in px of the die: from its top left corner along its sides."""
        flat = self.origin + np.asarray(points, np.float64).reshape(-1, 2) @ self.axes
        return self.frame.distorted(flat, self.k1)

    def to_die(self, points: npt.ArrayLike) -> Array:
        """The inverse of `to_photo`."""
        flat = self.frame.undistorted(np.asarray(points, np.float64).reshape(-1, 2), self.k1)
        return np.asarray((flat - self.origin) @ self.axes.T)

    def seen_corners(self) -> Array:
        """The corners where the photo shows them, px."""
        return self.frame.distorted(self.corners, self.k1)

    def levelled(self, grey: FloatImage, step: float = 1.0, margin: float = 0.0) -> FloatImage:
        """The die laid level, one value every `step` px, with so many px of surround; its first value
        stands at (step / 2 - margin) both ways."""
        columns, rows = (
            max(1, math.floor((side.value + 2 * margin) / step))
            for side in (self.width, self.height)
        )
        if step > 1.5:
            grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), 0.4 * step), np.float32)
        out = np.empty((rows, columns), np.float32)
        u = (np.arange(columns) + 0.5) * step - margin
        for top in range(
            0, rows, 512
        ):  # in bands: a map takes eight times the memory of the picture
            v = (np.arange(top, min(top + 512, rows)) + 0.5) * step - margin
            grid = np.stack(np.meshgrid(u, v), axis=-1)
            at = self.to_photo(grid).reshape(*grid.shape).astype(np.float32)
            out[top : top + 512] = cv2.remap(
                grey, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
            )  # fmt: skip
        return out
