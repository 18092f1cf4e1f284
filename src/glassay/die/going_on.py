"""Whether a die's edges go on beyond its corners, as the streets of a wafer that is not sawn do.

A saw cut ends at the corner: what lies beyond is the surround, on both sides of the line. A street goes
on to the next die, with the same step of light.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from glassay.die.nested import STEP_REACH_PX, Start
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

REACH, LEAST_PX = 0.3, 12.0
"""How far beyond a corner it is looked, parts of the side, and the least room that tells."""
PIECES = 12
ALIKE, ALONG = 0.5, 0.75
"""Step over the side's own from which a piece has the same edge, and in what part of the pieces it must
be seen: the street across takes a part of them."""
MOST_CORNERS = 0.75
"""Part of the ends that can be seen, four at least, at which the edge goes on: at none of eight on 50
sawn dies and things that are none of the attack's drawings, at all eight of two wafers."""


def go_on(grey: FloatImage, starts: Sequence[Start]) -> bool:
    """Whether the sides (`starts`) of a rectangle in a picture (height, width) of linear light are
    edges that go on beyond its corners."""
    found = [_goes_on(grey, start, way) for start in starts for way in (-1, 1)]
    ends = [one for one in found if one is not None]
    return len(ends) >= 4 and sum(ends) >= MOST_CORNERS * len(ends)


def _goes_on(grey: FloatImage, start: Start, way: int) -> bool | None:
    """At one end of a side; None where the picture ends too soon, or the side has no step."""
    half = start.length / 2
    own = float(np.median(_steps(grey, start, np.linspace(-0.8, 0.8, 4 * PIECES) * half)[0]))
    if own == 0:
        return None
    reach = max(2 * LEAST_PX, REACH * start.length)
    t = way * (half + STEP_REACH_PX + np.linspace(0.0, reach, 4 * PIECES))
    steps, inside = _steps(grey, start, t)
    if inside.sum() * reach / len(t) < LEAST_PX:
        return None
    return bool(np.mean(steps[inside] / own > ALIKE) >= ALONG)


def _steps(grey: FloatImage, start: Start, t: Array) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Light within less that beyond the line at places along it, and which are in the picture."""
    at = start.places(t, np.array([-STEP_REACH_PX / 2, STEP_REACH_PX / 2]))
    inside = ((at >= 0) & (at <= np.array(grey.shape[::-1]) - 1.0)).reshape(len(t), -1).all(axis=1)
    x, y = np.moveaxis(at.astype(np.float32), -1, 0)
    values = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values[:, 0] - values[:, 1], np.float64), np.asarray(inside)
