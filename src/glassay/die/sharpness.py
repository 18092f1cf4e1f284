"""How sharp the picture of a die is: the blur of its strong edges that stand alone.

No edge of silicon is drawn sharper than the lens and the camera draw any edge, and the die's own inner
edges tell how sharp that is. What rises more slowly along a side is more than one edge: a penumbra, a
street, a seal ring, a bevel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from glassay.die.nested import Start
from glassay.die.stripes import FINE, STRIP_PX, noise_of, steepest, strip_profiles
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

STRONG = 0.3
"""Least step of an edge that counts, over that of the strongest: noise and the blocks of a compressed
picture make edges of any sharpness, but faint ones."""

SHARP_QUANTILE = 0.35
"""Which of the strong edges tells the blur: the sharper half, not the single sharpest. On drawn dies
quantiles of 0.2 to 0.5 differ by 7 %."""

FEWEST = 8
"""Strong edges alone, in all strips, without which the blur is not told."""

MOST_STRIPS = 160
"""Strips a direction that are looked at, spread over the die."""

ROOMS_PX = (16.0, 8.0)
"""Distance to the next edge from which one stands alone; the lesser where too few have the greater."""


def sharpest_blur(grey: FloatImage, sides: Sequence[Start]) -> float | None:
    """Standard deviation (px) of the blur of strong edges that stand alone, within the rectangle that
    `sides` (top, right, bottom, left) bound in a picture (height, width) of linear light. None where
    there are too few."""
    level = _laid_level(grey, sides)
    if min(level.shape) < 4 * STRIP_PX:
        return None
    noise = noise_of(level) / math.sqrt(STRIP_PX)
    edges = np.concatenate(
        [_alone(strip_profiles(level, upright), noise) for upright in (True, False)]
    )
    if not len(edges):
        return None
    edges = edges[edges[:, 1] > STRONG * np.quantile(edges[:, 1], 0.95)]
    for room in ROOMS_PX:
        blurs = edges[edges[:, 2] >= room, 0]
        if blurs.size >= FEWEST:
            return float(np.quantile(blurs, SHARP_QUANTILE))
    return None


def _laid_level(grey: FloatImage, sides: Sequence[Start]) -> FloatImage:
    """What lies within the four sides, one value a px; a lens's bow does not matter in short strips."""
    top, right, bottom, left = sides
    across = top.way if float(top.way @ right.outward) > 0 else -top.way
    down = np.array([-across[1], across[0]])
    down = down if float(down @ bottom.outward) > 0 else -down
    middle = (top.foot + right.foot + bottom.foot + left.foot) / 4
    columns = math.floor(float((right.foot - left.foot) @ across))
    rows = math.floor(float((bottom.foot - top.foot) @ down))
    u = (np.arange(max(0, columns)) - (columns - 1) / 2)[None, :, None] * across
    v = (np.arange(max(0, rows)) - (rows - 1) / 2)[:, None, None] * down
    x, y = np.moveaxis((middle + u + v).astype(np.float32), -1, 0)
    if not x.size:
        return np.zeros((0, 0), np.float32)
    return np.asarray(
        cv2.remap(grey, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.float32
    )


def _alone(profiles: Array, noise: float) -> Array:
    """Edges of profiles, (n, 3): blur (px), step of light, distance to the next edge (px)."""
    out = []
    places = np.arange(profiles.shape[1], dtype=np.float64)
    fine = np.arange(FINE * (places.size - 1) + 1) / FINE
    splines = CubicSpline(places, profiles[:: max(1, len(profiles) // MOST_STRIPS)], axis=1)
    for light, change in zip(splines(fine), splines(fine, 1), strict=True):
        x, a = steepest(light, change, noise)
        bounds = np.concatenate([[0.0], x, [change.size / FINE]])
        for n in range(x.size):
            room = min(x[n] - bounds[n], bounds[n + 2] - x[n])
            if room < min(ROOMS_PX):
                continue
            low, high = round((x[n] - room / 2) * FINE), round((x[n] + room / 2) * FINE)
            step = float(np.clip(change[low : high + 1] * np.sign(a[n]), 0, None).sum()) / FINE
            blur = step / abs(float(a[n])) / math.sqrt(2 * math.pi)
            out.append((_with_feet(blur, room / 2), step, room))
    return np.array(out, np.float64).reshape(-1, 3)


def _with_feet(blur: float, half: float) -> float:
    """The blur s of a step that is seen so far to either side: `blur` is s erf(half / (s sqrt 2))."""
    whole = blur
    for _ in range(6):
        whole = min(blur / math.erf(half / (whole * math.sqrt(2))), 1.5 * blur)
    return whole
