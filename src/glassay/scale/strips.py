"""A photo seen along a given axis: turned, and averaged into strips across which lines stand."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage

EMPTY_SHARE = 0.5
"""A strip sample that is covered by the photo to less than this share counts as empty."""
RIM_PX = 2
"""Samples next to an empty one are dropped too: interpolation has darkened them."""


@dataclass(frozen=True)
class Strips:
    """Means over strips of `height` px along the axis at `angle`.

    `rows` has shape (strips, samples); sample i of strip j is the mean around the point at
    s = s0 + i along the axis and t = t0 + j * step + height / 2 across it, both in px from the
    photo's centre. `valid` marks the samples that lie in the photo.
    """

    rows: npt.NDArray[np.float32]
    valid: npt.NDArray[np.bool_]
    angle: float
    height: int
    s0: float
    t0: float
    step: int

    @property
    def t_centres(self) -> npt.NDArray[np.float64]:
        """Distance of each strip's middle from the photo's centre, across the axis, px."""
        return np.asarray(self.t0 + np.arange(len(self.rows)) * self.step + self.height / 2)


def cut_strips(
    grey: FloatImage, mask: npt.NDArray[np.uint8] | None, angle: float, height: int
) -> Strips:
    """Turn `grey` (height, width) so that the axis at `angle` (radians) runs along rows; average.

    `mask` is 0 where the photo shows nothing (outside a round field), else None.
    """
    h, w = grey.shape
    c, s = np.cos(angle), np.sin(angle)
    length = int(np.ceil(w * abs(c) + h * abs(s)))
    across = int(np.ceil(w * abs(s) + h * abs(c)))
    count = max(1, -(-across // height))
    s0, t0 = -(length - 1) / 2, -(count * height - 1) / 2
    cx, cy = (w - 1) / 2, (h - 1) / 2
    turn = np.array([[c, -s, cx + s0 * c - t0 * s], [s, c, cy + s0 * s + t0 * c]])
    size = (length, count * height)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    turned = cv2.warpAffine(grey, turn, size, flags=flags, borderMode=cv2.BORDER_CONSTANT)
    cover = np.ones((h, w), np.uint8) if mask is None else (mask > 0).astype(np.uint8)
    inside = cv2.warpAffine(cover, turn, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    share = cv2.resize(inside.astype(np.float32), (length, count), interpolation=cv2.INTER_AREA)
    if mask is not None:
        turned = turned * inside
    mean = cv2.resize(turned, (length, count), interpolation=cv2.INTER_AREA)
    padded = np.pad((share > EMPTY_SHARE).astype(np.uint8), ((0, 0), (RIM_PX, RIM_PX)))
    valid = cv2.erode(padded, np.ones((1, 2 * RIM_PX + 1), np.uint8))[:, RIM_PX:-RIM_PX] > 0
    rows = np.where(valid, mean / np.maximum(share, EMPTY_SHARE), 0).astype(np.float32)
    return Strips(rows, valid, angle, height, s0, t0 - 0.5, height)


def merge_strips(strips: Strips, count: int) -> Strips:
    """Average each `count` neighbouring strips, overlapping by half, into higher ones."""
    weight = strips.valid.astype(np.float32)
    total = np.cumsum(np.pad(strips.rows * weight, ((1, 0), (0, 0))), axis=0, dtype=np.float64)
    seen = np.cumsum(np.pad(weight, ((1, 0), (0, 0))), axis=0, dtype=np.float64)
    starts = np.arange(0, max(1, len(strips.rows) - count + 1), max(1, count // 2))
    ends = np.minimum(starts + count, len(strips.rows))
    number = seen[ends] - seen[starts]
    rows = (total[ends] - total[starts]) / np.maximum(number, 1)
    return Strips(
        rows.astype(np.float32), number > EMPTY_SHARE * count, strips.angle,
        strips.height * count, strips.s0, strips.t0, strips.step * max(1, count // 2),
    )  # fmt: skip
