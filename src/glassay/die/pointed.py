"""An outline that a person pointed at: for dies whose sides cannot be followed in the picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from glassay.die.outline import Outline, directions_of
from glassay.distortion import USUAL_DISTORTION, Frame
from glassay.errors import Unusable
from glassay.quantity import Contribution, Quantity

Array = npt.NDArray[np.float64]

SHORTEST_PX = 40.0
"""Shortest side that is taken: below it nothing on a die could be told anyway."""

BEYOND = 0.05
"""How far beyond the picture a corner may be set, in parts of its longer side: a corner that is just
cut off can be told from its sides."""

SOURCE = "pointing by hand"


@dataclass(frozen=True)
class PointedOutline:
    """Four corners (px of the picture, in any order), and the standard uncertainty of each coordinate
    by pointing, px."""

    corners: tuple[tuple[float, float], ...]
    u_px: float


def in_order(corners: npt.ArrayLike) -> Array:
    """Four corners from the one nearest the top left, clockwise as seen (rows run down).

    Raises `Unusable` where they are not four or enclose no convex piece.
    """
    given = np.asarray(corners, dtype=np.float64)
    if given.shape != (4, 2) or not np.isfinite(given).all():
        raise Unusable("outline: corners are four points [x, y] in px of the photo")
    away = given - given.mean(axis=0)
    ring = given[np.argsort(np.arctan2(away[:, 1], away[:, 0]))]
    ring = np.roll(ring, -int(np.argmin(ring.sum(axis=1))), axis=0)
    sides = np.roll(ring, -1, axis=0) - ring
    onward = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * onward[:, 1] - sides[:, 1] * onward[:, 0]
    if not (turns > 0).all():
        raise Unusable("outline: the four corners enclose no piece like a die")
    return ring


def outline_of(
    pointed: PointedOutline, shape: tuple[int, ...], frame: Frame, flat: bool
) -> Outline:
    """The outline in a picture of this shape (height, width); `flat` as `measure_die` takes it.

    Raises `Unusable` where the corners are none of a die in this picture.
    """
    seen = in_order(pointed.corners)
    room = BEYOND * max(shape[:2])
    if (seen < -room).any() or (seen > np.array(shape[1::-1]) + room).any():
        raise Unusable("outline: a corner lies outside of the picture")
    across, down, turns, tilt, notes = directions_of(seen)
    size = []
    u_k = 0.0 if flat else USUAL_DISTORTION
    square = float(frame.square(seen).mean())
    for pair in (across, down):
        both = [math.hypot(*v) for v in pair]
        length = sum(both) / 2
        if length < SHORTEST_PX:
            raise Unusable(f"outline: a die of {length:.0f} px is too small in the picture")
        # the mean of two sides, each with an end at either corner
        parts = (
            Contribution(SOURCE, pointed.u_px, scope="capture"),
            Contribution("distortion", u_k * square * length, scope="setting"),
            Contribution(
                "opposite sides differ", abs(both[0] - both[1]) / math.sqrt(12), scope="capture"
            ),
        )
        size.append(Quantity(length, "px", parts))
    longest = max(one.value for one in size)
    u_tilt = math.hypot(float(np.ptp(turns)) / math.sqrt(12), pointed.u_px / longest)
    said = Contribution(SOURCE, math.degrees(u_tilt), scope="capture")
    return Outline(
        seen, size[0], size[1], Quantity(math.degrees(tilt), "deg", (said,)), frame, 0.0, None,
        math.nan, (1.0, 1.0, 1.0, 1.0), tuple(notes), by_hand=True,
    )  # fmt: skip
