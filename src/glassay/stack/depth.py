"""Depth from the curve of sharpness: a Gaussian through its top, with uncertainty.

Nayar and Nakagawa (1994, IEEE PAMI 16:824) put a Gaussian through the three best photos. Here as many
photos as stand above part of the peak share in it, by weighted least squares of a parabola through
the logarithm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.stack.choose import choose
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
LARGEST_SPREAD = 1.0
"""Standard uncertainty by noise, in photos, from which a vertex within a photo of the best is none."""
AT_PEAK = 0.6
"""Share of the peak that the consistent choice must reach for the depth to be the place's own."""
WINDOW = 5
"""Places across over which a change of depth is shared out by the windows of sharpness."""


RIM_SPREAD = 0.5
"""Spread of depth within a window, in photos, from which there is a step of height."""
RIM_PLACES = 4
"""Reach, in places, of what the windows of sharpness smear over a step."""
RIM_TRUST = 0.1
"""What is left there of the trust in sharpness against the edges of the picture."""
COARSE_REACH = 7
"""Reach of the coarsest scale's filter and window, places of 2 px."""
ALIKE_PLACES = 6.0
"""Places over which the noise of sharpness is alike: the window of the middle scale, 4 pi 2.4^2 px,
over 4 px a place and what the band itself leaves independent."""
SKIRT_PLACES = 3
"""How far windows of sharpness carry fine detail onto a bare surface beside it, places: 5 px on either
side of simulated bond wires."""
BARE_PLACES = 5
"""Side of the smallest bare spot that counts; single places in a texture may miss the limit."""
STEP_NEARBY = 1.0
"""Range of known depth nearby, in photos, from which a bare surface may be at another height."""
NEARBY_PLACES = 20
"""How far that is looked for: the width of a bond wire or a few."""
BORROWED = 0.75
"""Photos by which depth nearby may differ from the choice to be borrowed for it."""


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
    known = sharp & own & ~first & ~last & (np.abs(vertex) <= 1) & (spread < LARGEST_SPREAD)
    place = np.where(known, best + vertex, np.nan).astype(np.float32)
    filled = np.where(np.isfinite(place), place, best).astype(np.float32)
    place, spread = _steadied(place, spread)
    # beside a step, a place may belong to either side
    u = np.sqrt(spread**2 + SHAPE**2 + _spread(filled) ** 2)
    u = np.where(known, u, np.nan).astype(np.float32)
    return Depth(place, u, first, last, sharp)


def settle_rims(
    rough: Depth, found: Curves, chosen: npt.NDArray[np.intp], guide: FloatImage
) -> Depth:
    """Depth beside steps of height, where windows of sharpness show the sharper side on both.

    `guide` (rows, columns) is the stacked picture: the step is put where the picture has an edge, and
    depth is borrowed from the near side it then belongs to. The uncertainty keeps the whole step.
    """
    filled = np.where(np.isfinite(rough.place), rough.place, chosen).astype(np.float32)
    side = 2 * RIM_PLACES + 1
    rim = cv2.dilate((_spread(filled) > RIM_SPREAD).astype(np.uint8), np.ones((side, side))) > 0
    trust = np.where(rim, RIM_TRUST * found.trust, found.trust).astype(np.float32)
    again = choose(found.value, trust, guide)
    wrong = rim & (np.abs(filled - again) > BORROWED)
    borrowed = _borrowed(rough.place, again, wrong)
    known = np.isfinite(rough.place) | (rough.first | rough.last)
    place = np.where(wrong & known, borrowed, rough.place).astype(np.float32)
    step = np.maximum(np.abs(place - filled), _spread(np.where(np.isfinite(place), place, filled)))
    u = np.where(wrong, np.hypot(SHAPE, step), rough.u)
    # a place on the step itself is seen through windows that hold both heights
    settled = np.where(np.isfinite(place), place, again).astype(np.float32)
    either = (_spread(settled) > RIM_SPREAD) | _leaked(found) | _skirts(found, place)
    place = np.where(either, np.nan, place).astype(np.float32)
    u = np.where(np.isfinite(place), u, np.nan).astype(np.float32)
    return replace(rough, place=place, u=u)


def _steadied(place: FloatImage, spread: FloatImage) -> tuple[FloatImage, FloatImage]:
    """Mean of the depths around that agree, weighted by their uncertainty, and its uncertainty by
    noise. Noise is alike over `ALIKE_PLACES`, so that more of them say no more than one."""
    known = np.isfinite(place)
    weight = np.where(known, 1 / (spread**2 + 1e-3), 0).astype(np.float32)
    values = np.where(known, place, 0).astype(np.float32)
    total, weights = np.zeros_like(values), np.zeros_like(values)
    reach = WINDOW // 2
    rows, columns = values.shape
    wide = cv2.copyMakeBorder(values, reach, reach, reach, reach, cv2.BORDER_CONSTANT, value=-99.0)
    say = cv2.copyMakeBorder(weight, reach, reach, reach, reach, cv2.BORDER_CONSTANT, value=0.0)
    for down in range(WINDOW):
        for along in range(WINDOW):
            part = (slice(down, down + rows), slice(along, along + columns))
            own = np.where(np.abs(wide[part] - values) <= BORROWED, say[part], 0)
            total += own * wide[part]
            weights += own
    mean = np.where(known, total / np.maximum(weights, 1e-9), np.nan).astype(np.float32)
    u = np.minimum(spread, np.sqrt(ALIKE_PLACES / np.maximum(weights, 1e-9)))
    return mean, np.asarray(u, dtype=np.float32)


def _leaked(found: Curves) -> npt.NDArray[np.bool_]:
    """Where only coarse detail is seen, within its reach of fine detail: it may be that one's skirt,
    on a bare surface at another height."""
    near = found.near_trust >= KNOWN_TRUST
    side = 2 * COARSE_REACH + 1
    return np.asarray((cv2.dilate(near.astype(np.uint8), np.ones((side, side))) > 0) & ~near)


def _skirts(found: Curves, place: FloatImage) -> npt.NDArray[np.bool_]:
    """Rims of fine detail against a bare surface, where depth nearby differs: detail is seen through
    windows, so that a rim may be the bare surface, and that at another height."""
    bare = (found.near_trust < KNOWN_TRUST).astype(np.uint8)
    spot, reach = (
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
        for side in (BARE_PLACES, 2 * SKIRT_PLACES + 1)
    )
    skirt = cv2.dilate(cv2.morphologyEx(bare, cv2.MORPH_OPEN, spot), reach)
    near = np.ones((2 * NEARBY_PLACES + 1,) * 2, dtype=np.uint8)
    known = np.isfinite(place)
    highest = cv2.dilate(np.where(known, place, np.float32(-1e6)), near)
    lowest = cv2.erode(np.where(known, place, np.float32(1e6)), near)
    return np.asarray((skirt > 0) & (np.asarray(highest) - np.asarray(lowest) > STEP_NEARBY))


def _borrowed(
    place: FloatImage, wanted: npt.NDArray[np.intp], where: npt.NDArray[np.bool_]
) -> FloatImage:
    """Mean of the depths nearby that agree with the wanted photo; NaN where there is none."""
    found = np.full(place.shape, np.nan, dtype=np.float32)
    size = (4 * RIM_PLACES + 1, 4 * RIM_PLACES + 1)
    for photo in np.unique(wanted[where]):
        alike = np.abs(place - photo) <= BORROWED  # False for NaN
        share = cv2.blur(alike.astype(np.float32), size)
        mean = cv2.blur(np.where(alike, place, 0).astype(np.float32), size)
        here = where & (wanted == photo) & (share > 1e-3)
        found[here] = mean[here] / share[here]
    return found


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


def _spread(filled: FloatImage) -> FloatImage:
    """Standard deviation of depth within the window of sharpness."""
    size = (WINDOW, WINDOW)
    mean = cv2.blur(filled, size)
    square = cv2.blur(filled * filled, size)
    return np.asarray(np.sqrt(np.maximum(square - mean * mean, 0)), dtype=np.float32)
