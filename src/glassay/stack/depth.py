"""Depth from the curve of sharpness: a Gaussian through its top, with uncertainty.

Nayar and Nakagawa (1994, IEEE PAMI 16:824) put a Gaussian through the three best photos. Here as many
photos as stand above part of the peak share in it, by weighted least squares of a parabola through
the logarithm.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.stack.sharpness import Curves

REACH = 3
"""Photos to either side of the best that may share in the Gaussian."""
SHARE = 0.35
"""Share of the peak above which they do; below, a curve of focus is no Gaussian any more."""
SHAPE = 0.06
"""Standard uncertainty of the logarithm of sharpness for not being a Gaussian, and, in photos, of the
place for being sampled: that of focus curves (error of a place between frames: 0.02 to 0.1)."""
KNOWN_TRUST = 0.5
"""Trust from which the depth is known."""
AT_PEAK = 0.6
"""Share of the peak that the consistent choice must reach for the depth to be the place's own."""
WINDOW = 5
"""Places across over which a change of depth is shared out by the windows of sharpness."""


@dataclass(frozen=True)
class Depth:
    """Depth of each place in photos counted from 0 and its standard uncertainty, NaN where unknown;
    `first` and `last` tell places that are sharpest in the first or last photo, so that focus goes
    on beyond; `sharp` where something is sharp at all. All (rows, columns)."""

    place: FloatImage
    u: FloatImage
    first: npt.NDArray[np.bool_]
    last: npt.NDArray[np.bool_]
    sharp: npt.NDArray[np.bool_]


def depth(found: Curves, chosen: npt.NDArray[np.intp]) -> Depth:
    """The depth around the chosen photo of each place."""
    count = found.value.shape[0]
    best = _climbed(found.value, chosen)
    sharp = found.trust >= KNOWN_TRUST
    own = _at(found.value, best) >= AT_PEAK
    first, last = sharp & own & (best == 0), sharp & own & (best == count - 1)
    vertex, spread = _gaussian(found, best)
    known = sharp & own & ~first & ~last & (np.abs(vertex) <= 1) & np.isfinite(spread)
    place = np.where(known, best + vertex, np.nan).astype(np.float32)
    u = np.sqrt(spread**2 + SHAPE**2 + _mixture(place, best) ** 2)
    u = np.where(known, u, np.nan).astype(np.float32)
    return Depth(place, u, first, last, sharp)


def _climbed(value: npt.NDArray[np.float32], chosen: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """The sharpest of the chosen photo and its two neighbours, twice."""
    last = value.shape[0] - 1
    for _ in range(2):
        three = np.stack([_at(value, np.clip(chosen + k, 0, last)) for k in (0, -1, 1)])
        chosen = np.clip(chosen + np.array([0, -1, 1])[np.argmax(three, axis=0)], 0, last)
    return chosen


def _at(value: npt.NDArray[np.float32], photo: npt.NDArray[np.intp]) -> FloatImage:
    return np.asarray(np.take_along_axis(value, photo[None], axis=0)[0], dtype=np.float32)


def _gaussian(found: Curves, best: npt.NDArray[np.intp]) -> tuple[FloatImage, FloatImage]:
    """Place of the vertex relative to `best`, and its standard uncertainty (infinite: no peak)."""
    last = found.value.shape[0] - 1
    height = _at(found.value, best)
    sums = np.zeros((5, *best.shape))
    moments = np.zeros((3, *best.shape))
    for side in (-1, 1):
        joined = np.ones(best.shape, dtype=bool)
        for away in range(0 if side < 0 else 1, REACH + 1):
            photo = best + side * away
            value = _at(found.value, np.clip(photo, 0, last))
            share = value / np.maximum(height, 1e-9)
            # the two neighbours always, however deep they fall; farther ones while the curve is high
            if away > 1:
                joined &= share > SHARE
            joined &= (photo >= 0) & (photo <= last) & (value > 0)
            relative = found.u / np.maximum(share, 0.05)
            weight = np.where(joined, 1 / (relative**2 + SHAPE**2), 0.0)
            log = np.log(np.maximum(share, 1e-6))
            x = float(side * away)
            for power in range(5):
                sums[power] += weight * x**power
            for power in range(3):
                moments[power] += weight * log * x**power
    return _vertex(sums, moments)


def _vertex(
    sums: npt.NDArray[np.float64], moments: npt.NDArray[np.float64]
) -> tuple[FloatImage, FloatImage]:
    rows = [[sums[i + j] for j in range(3)] for i in range(3)]
    normal = np.moveaxis(np.array(rows), (0, 1), (-2, -1))
    normal = normal + 1e-9 * np.eye(3)
    inverse = np.linalg.inv(normal)
    solved = np.einsum("...ij,j...->...i", inverse, moments)
    slope, bend = solved[..., 1], solved[..., 2]
    falls = bend < -1e-3
    bend = np.where(falls, bend, -1.0)
    at = -slope / (2 * bend)
    by_slope, by_bend = -1 / (2 * bend), slope / (2 * bend**2)
    variance = (
        by_slope**2 * inverse[..., 1, 1]
        + by_bend**2 * inverse[..., 2, 2]
        + 2 * by_slope * by_bend * inverse[..., 1, 2]
    )
    spread = np.where(falls, np.sqrt(np.maximum(variance, 0)), np.inf)
    return np.asarray(at, dtype=np.float32), np.asarray(spread, dtype=np.float32)


def _mixture(place: FloatImage, best: npt.NDArray[np.intp]) -> FloatImage:
    """Spread of depth within the window of sharpness: beside a step, a place may belong to either."""
    filled = np.where(np.isfinite(place), place, best).astype(np.float32)
    size = (WINDOW, WINDOW)
    mean = cv2.blur(filled, size)
    square = cv2.blur(filled * filled, size)
    return np.asarray(np.sqrt(np.maximum(square - mean * mean, 0)), dtype=np.float32)
