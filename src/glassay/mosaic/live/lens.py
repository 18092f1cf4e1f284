"""The lens of a live mosaic: how far it bends a frame, told by what tiles show in common.

Two tiles that overlap are bent opposite ways where they do: no place makes them agree all over. What is
left over tells k1 of `glassay.distortion`, tie by tie; frames are straightened by it as they come.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from glassay.distortion import Frame
from glassay.mosaic.live.picture import Bytes, Floats, Place, View

Points = npt.NDArray[np.float64]

FEWEST_TIES = 3
LEAST_BEND = 0.002
"""Distortion at the corner, not yet taken out, that is worth it: half a working px there."""
SURE = 4.0
"""Standard uncertainties by which it must differ from nothing."""
MOST_BEND = 0.06
"""More is not believed: the methods of the finished mosaic take percents."""
INDEPENDENT = 1 / 11
"""Part of the px that count as independent: some 50 in a block of 24 by 24 (see `parts`)."""
SURROUNDED = np.ones((7, 7), np.uint8)
"""Of a px that is compared: so much around it is known as well."""
FINEST_PX = 2.0
"""Bend of a tie, working px at the corner, that slopes can tell at once; what is more is told by the
next ties, on frames that are straighter by then."""


@dataclass(frozen=True, slots=True)
class Bend:
    """What one tie tells: k1 beyond what was taken out before, and its information 1 / u^2."""

    k1: float
    information: float


NOTHING = Bend(0.0, 0.0)


def straightened(view: View, k1: float) -> View:
    """The view as a perfect lens would show it; what was taken out before is put back first."""
    raw = view.detail if view.raw is None else view.raw
    if k1 == 0 and view.raw is None:
        return view
    columns, rows = _places(raw.shape[1], raw.shape[0], k1)
    detail = cv2.remap(raw, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    made = View(np.asarray(detail, np.float32), view.factor, view.grey, raw)
    if view.grey is None:
        made.sharpness = view.sharpness
    return made


@lru_cache(maxsize=2)
def _places(width: int, height: int, k1: float) -> tuple[Floats, Floats]:
    """Where in a frame each px of a straight one is seen."""
    down, across = np.mgrid[:height, :width]
    points = np.stack([across.ravel(), down.ravel()], axis=1)
    seen = Frame.of((height, width)).distorted(points, k1).astype(np.float32)
    return seen[:, 0].reshape(height, width), seen[:, 1].reshape(height, width)


def bend_of(slopes: Sequence[Floats], rest: Floats, known: Bytes, away: Place) -> Bend:
    """What two tiles that overlap tell of the lens.

    `slopes` (right, down, turn; height, width): those of one tile, 0 where it is not compared; `rest`:
    what it shows beyond the other, of which `known` is 1; `away`: where it lies in the other's frame.
    Least squares in place and k1 together, so that a wrong place is not taken for a bend.
    """
    height, width = rest.shape
    half = math.hypot(height, width) / 2
    across = (np.arange(width, dtype=np.float32)[None, :] - (width - 1) / 2) / half
    down = (np.arange(height, dtype=np.float32)[:, None] - (height - 1) / 2) / half
    c, s = math.cos(away.turn), math.sin(away.turn)
    x, y = c * across - s * down + away.x / half, s * across + c * down + away.y / half
    there, here = x**2 + y**2, across**2 + down**2
    gx, gy, turn = slopes
    bent = gx * half * ((c * x + s * y) * there - across * here)
    bent = bent + gy * half * ((c * y - s * x) * there - down * here)
    inner = cv2.erode(known, SURROUNDED).ravel() > 0
    columns = np.stack([one.ravel()[inner] for one in (gx, gy, turn, bent)]).astype(np.float64)
    rest = rest.ravel()[inner]
    normal = columns @ columns.T
    right = columns @ rest.astype(np.float64)
    try:
        inverse = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        return NOTHING
    k1 = float((inverse @ right)[3])
    left = rest[np.abs(columns[:2]).sum(axis=0) > 0]
    noise = float((left**2).mean()) / INDEPENDENT if left.size else 0.0
    if not 0 < noise * inverse[3, 3] < MOST_BEND**2:
        return NOTHING
    return Bend(
        float(np.clip(k1, -FINEST_PX / half, FINEST_PX / half)), 1 / (noise * inverse[3, 3])
    )


def told_by(bends: Sequence[Bend]) -> float | None:
    """k1 that all ties tell together, where it is sure and worth to be taken out; else None."""
    values = np.array([one.k1 for one in bends if one.information])
    weights = np.array([one.information for one in bends if one.information])
    if values.size < FEWEST_TIES:
        return None
    k1 = float((weights * values).sum() / weights.sum())
    scatter = float((weights * (values - k1) ** 2).sum()) / (values.size - 1)
    u = math.sqrt(max(1.0, scatter) / weights.sum())
    return k1 if abs(k1) > max(LEAST_BEND, SURE * u) else None


def straight(points: Points, k1: float, size: tuple[int, int]) -> Points:
    """Where points (n, 2) px of a frame of `size` (width, height) lie in the straight one."""
    return np.asarray(Frame.of((size[1], size[0])).undistorted(points, k1))
