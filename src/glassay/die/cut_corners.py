"""Corners of the outline that are cut out, as where two rectangles lie moved over each other.

A shadow, a glow or a reflection is the die once more, moved. Where it is as dark or as light as the die
itself, no edge between the two is seen, but their common outline is no rectangle: at two corners that
lie across from each other it lacks a small rectangle, as long and as wide as the two are moved. Blur
rounds all four corners alike, and a mark or a broken corner is seldom met twice.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from glassay.die.nested import STEP_PX, Start
from glassay.fitting import crossing
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

REACH_PX, REACH_BLURS = 4.0, 5.0
"""How far within a corner it is looked at, px and blurs (standard deviations)."""
BEYOND_BLURS = 2.0
LEAST_PX2 = 8.0
"""Least area that is lacked."""
LESS = 0.3
"""Of that, the most that either of the other two corners may lack."""
LEAST_STEP = 0.02
"""Least contrast of a rim with the ground at its corner."""


def cut_corners(grey: FloatImage, starts: Sequence[Start], blur_px: float) -> Array:
    """Area (px^2) that the outline lacks at its corners, where the margins of its sides are left out.

    `starts` are its sides (top, right, bottom, left) in a picture (height, width) of linear light,
    `blur_px` the standard deviation of its blur; the corners are top left, top right, bottom right,
    bottom left.
    """
    return np.array([_lacking(grey, starts[n - 1], starts[n], blur_px) for n in range(4)])


def is_of_two(lacking: Array) -> bool:
    """Whether such corners are those of two like rectangles, one moved over the other."""
    for one in (0, 1):
        pair = lacking[[one, one + 2]].min()
        others = lacking[[1 - one, 3 - one]].max()
        if pair > LEAST_PX2 and others < LESS * pair:
            return True
    return False


def _lacking(grey: FloatImage, one: Start, other: Start, blur_px: float) -> float:
    """Area in px^2 at the corner of two sides that is lacked, against a blurred corner's."""
    corner = _corner(one, other)
    away = np.arange(-BEYOND_BLURS * blur_px, REACH_PX + REACH_BLURS * blur_px, STEP_PX)
    light = _light(grey, *_at(corner, one, other, away, away))
    outward = -np.arange(BEYOND_BLURS * blur_px, BEYOND_BLURS * blur_px + 4.0, STEP_PX)
    ground = float(np.median(_light(grey, *_at(corner, one, other, outward, outward))))
    inward = -np.arange(BEYOND_BLURS * blur_px, BEYOND_BLURS * blur_px + 2.0, STEP_PX)
    rim = min(
        (_rim(grey, side, inward) for side in (one, other)), key=lambda one: abs(one - ground)
    )
    if abs(rim - ground) < LEAST_STEP * max(rim, ground):
        return 0.0
    part = np.clip((light - ground) / (rim - ground), 0, 1)
    rises = ndtr(away / blur_px)
    return float((rises[:, None] * rises[None, :] - part).sum()) * STEP_PX**2


def _rim(grey: FloatImage, side: Start, across: Array) -> float:
    """The light along the middle part of a side, so far outward of it."""
    t = np.linspace(-0.35, 0.35, 64) * side.length
    at = side.places(t, across)
    return float(np.median(_light(grey, at[..., 0], at[..., 1])))


def _at(corner: Array, one: Start, other: Start, a: Array, b: Array) -> tuple[Array, Array]:
    """Places `a` px inward of one side and `b` px inward of the other, from their corner."""
    at = corner - a[:, None, None] * one.outward - b[None, :, None] * other.outward
    return at[..., 0], at[..., 1]


def _light(grey: FloatImage, x: Array, y: Array) -> npt.NDArray[np.float32]:
    found = cv2.remap(grey, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    return np.asarray(found, np.float32)


def _corner(one: Start, other: Start) -> Array:
    """Where two sides meet, their bows included."""
    lines = [
        (side.foot + side.bend * (side.length / 2) ** 2 * side.outward, side.way)
        for side in (one, other)
    ]
    return crossing(*lines)
