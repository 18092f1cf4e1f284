"""Where a die lies in a photo, roughly: what stands out from an even surround and is a rectangle.

The surround is everything that can be reached from the photo's border without crossing an edge. What
is left is turned level by its own straight edges, and bond wires, which are narrow, are opened away.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.fitting import block_mean, spread
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

COARSE_PX = 640
"""Longer side of the reduced picture in which the die is looked for."""

TURN_PX = 400
"""Longer side of the picture in which the turn is looked for."""

TURN_STEPS = (1.0, 0.1)
"""Steps of the search for the turn, degrees: first over a quarter turn, then about the best."""

EDGE = 0.055
"""Change of light from px to px of the reduced picture, relative, that ends the surround. Uneven light
and vignetting change it by less than 0.01; a die's rim seen in focus by 0.1 and more."""

EDGE_OVER_NOISE = 3.0
"""The same over the scatter of such changes in the surround."""

SMOOTH_PX = 1.0
"""Smoothing, px of the reduced picture, before edges are looked for: against noise."""

THIN = 0.03
"""What is narrower than this part of the picture's longer side is no die: bond wires, dust, lines."""

LEAST_AREA = 0.02
"""Least part of the picture that a die fills."""

SECOND = 0.15
"""Area of a second body over that of the largest from which there are two dies."""

RECTANGULAR = 0.90
"""Least part of its bounding rectangle that the body fills."""

LIKE_SURROUND = 0.6
"""Part of the body that is as bright as the surround from which it is no die but a drawing on it: the
squares of a grid, for one."""

AS_BRIGHT = 0.06
"""What differs by less than this, relative, is as bright as the surround."""


@dataclass(frozen=True)
class Silhouette:
    """A level rectangle in a picture turned by `turn_deg`: `middle` (column, row) px of the photo,
    `width` and `height` px, along the direction `turn_deg` (clockwise as seen) and across it.
    `coarse_px` is how far off a side may be."""

    middle: tuple[float, float]
    width: float
    height: float
    turn_deg: float
    coarse_px: float

    @property
    def axes(self) -> Array:
        """Unit vectors along the width and along the height, rows of a 2 x 2 matrix."""
        c, s = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        return np.array([[c, s], [-s, c]])


def find_silhouette(grey: FloatImage) -> Silhouette:
    """The die in a picture (height, width) of linear light.

    Raises `NotMeasurable` when nothing stands out as a rectangle from an even surround, when it is
    cut off by the picture's border, or when there are two.
    """
    height, width = grey.shape
    if min(height, width) < 64:
        raise NotMeasurable("the picture is too small to show a die (64 px at least)")
    factor = max(1, round(max(height, width) / COARSE_PX))
    small = block_mean(cv2.GaussianBlur(grey, (0, 0), SMOOTH_PX * factor), factor)
    if float(np.percentile(small, 99)) <= 0 or float(np.ptp(np.percentile(small, (1, 99)))) < 1e-4:
        raise NotMeasurable("the picture is empty: nothing stands out from it")
    turn = _turn_of(small)
    level, within, back = _levelled(small, turn)
    surround = _surround(level, within)
    left, top, right, bottom = _body(level, surround, within)
    middle = back @ np.array([(left + right) / 2, (top + bottom) / 2, 1.0])
    at = (middle + 0.5) * factor - 0.5
    return Silhouette((float(at[0]), float(at[1])), float(right - left) * factor,
                      float(bottom - top) * factor, turn, 3.0 * factor)  # fmt: skip


def _turn_of(small: FloatImage) -> float:
    """The turn of most straight edges, degrees in -45..45: where light summed along lines changes most
    from line to line, both ways."""
    factor = max(1, round(max(small.shape) / TURN_PX))
    tone = np.log(np.maximum(block_mean(small, factor), 1e-4))
    tone = tone - cv2.GaussianBlur(tone, (0, 0), 6)
    limit = 2.5 * max(spread(tone), 1e-6)
    tone = np.clip(tone, -limit, limit).astype(np.float32)
    best = 0.0
    for step, reach in ((TURN_STEPS[0], 45.0), (TURN_STEPS[1], 1.2)):
        turns = best + np.arange(-reach, reach + step / 2, step)
        best = float(turns[int(np.argmax([_straightness(tone, turn) for turn in turns]))])
    return (best + 45) % 90 - 45


def _straightness(tone: FloatImage, turn: float) -> float:
    level, within, _ = _levelled(tone, turn, 0.0)
    total = 0.0
    for axis in (0, 1):
        sums, counts = level.sum(axis=axis), within.sum(axis=axis)
        change = np.diff(sums)[(np.minimum(counts[1:], counts[:-1])) > 0]
        total += float((change**2).sum())
    return total


def _levelled(
    small: FloatImage, turn: float, outside: float = -1.0
) -> tuple[FloatImage, Flags, Array]:
    """The picture turned so that what is turned by `turn` lies level, which px it shows, and the
    2 x 3 matrix that takes its px to those of `small`."""
    height, width = small.shape
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    w = math.ceil(abs(c) * width + abs(s) * height)
    h = math.ceil(abs(s) * width + abs(c) * height)
    back = np.array([[c, -s, 0.0], [s, c, 0.0]])
    back[:, 2] = ((width - 1) / 2, (height - 1) / 2) - back[:, :2] @ ((w - 1) / 2, (h - 1) / 2)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    level = cv2.warpAffine(small, back, (w, h), flags=flags, borderMode=cv2.BORDER_CONSTANT,
                           borderValue=outside)  # fmt: skip
    shown = cv2.warpAffine(np.ones_like(small), back, (w, h), flags=flags)
    return np.asarray(level, np.float32), np.asarray(shown > 0.999), back


def _surround(level: FloatImage, within: Flags) -> Flags:
    """What can be reached from the border without crossing an edge."""
    tone = np.log(np.maximum(level, 0.02 * float(np.percentile(level[within], 90)) + 1e-6))
    change = np.zeros_like(tone)
    for axis in (0, 1):
        step = np.abs(np.diff(tone, axis=axis))
        first: tuple[slice, ...] = tuple(slice(0, -1) if a == axis else slice(None) for a in (0, 1))
        last: tuple[slice, ...] = tuple(
            slice(1, None) if a == axis else slice(None) for a in (0, 1)
        )
        change[first] = np.maximum(change[first], step)
        change[last] = np.maximum(change[last], step)
    inner = cv2.erode(within.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0).astype(
        bool
    )
    rim = inner & ~cv2.erode(
        inner.astype(np.uint8), np.ones((9, 9), np.uint8), borderValue=0
    ).astype(bool)
    noise = float(np.median(change[rim])) if rim.any() else 0.0
    quiet = inner & (change < max(EDGE, EDGE_OVER_NOISE * noise))
    count, labels = cv2.connectedComponents(quiet.astype(np.uint8), connectivity=4)
    reached = np.zeros(count, dtype=np.bool_)
    reached[np.unique(labels[rim & quiet])] = True
    reached[0] = False
    return np.asarray(reached[labels])


def _body(level: FloatImage, surround: Flags, within: Flags) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of the one rectangle that stands out."""
    thin = max(5, round(THIN * max(level.shape))) | 1
    solid = (within & ~surround).astype(np.uint8)
    kernel = np.ones((thin, thin), np.uint8)
    solid = np.asarray(cv2.morphologyEx(solid, cv2.MORPH_OPEN, kernel, borderValue=0), np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(solid, connectivity=4)
    order = sorted(range(1, count), key=lambda n: -int(stats[n, cv2.CC_STAT_AREA]))
    if not order or stats[order[0], cv2.CC_STAT_AREA] < LEAST_AREA * float(within.sum()):
        raise NotMeasurable(
            "no die stands out in the picture: its rim shows no contrast with the surround, or there"
            " is none"
        )
    body = labels == order[0]
    edge = within & ~cv2.erode(
        within.astype(np.uint8), np.ones((9, 9), np.uint8), borderValue=0
    ).astype(bool)
    if int((body & edge).sum()) > thin:
        raise NotMeasurable(
            "the die's outline is not wholly in the picture: it, or a surround as uneven as a die,"
            " reaches the picture's border"
        )
    area = float(stats[order[0], cv2.CC_STAT_AREA])
    if len(order) > 1 and stats[order[1], cv2.CC_STAT_AREA] > SECOND * area:
        raise NotMeasurable(
            "more than one body stands out in the picture (two dies?); draw a box around one"
        )
    rows, columns = body.sum(axis=1), body.sum(axis=0)
    ys = np.flatnonzero(rows > 0.5 * np.percentile(rows[rows > 0], 75))
    xs = np.flatnonzero(columns > 0.5 * np.percentile(columns[columns > 0], 75))
    left, right, top, bottom = int(xs[0]), int(xs[-1]) + 1, int(ys[0]), int(ys[-1]) + 1
    filled = float(body[top:bottom, left:right].mean())
    if filled < RECTANGULAR or area > (2 - RECTANGULAR) * (right - left) * (bottom - top):
        raise NotMeasurable(
            f"what stands out in the picture is no rectangle (it fills {filled:.0%} of one)"
        )
    _check_differs(level, surround, (left, top, right, bottom))
    return left, top, right, bottom


def _check_differs(level: FloatImage, surround: Flags, box: tuple[int, int, int, int]) -> None:
    left, top, right, bottom = box
    y, x = np.nonzero(surround)
    design = np.stack([np.ones(x.size), x, y], axis=1)
    plane = np.linalg.lstsq(design, level[y, x].astype(np.float64), rcond=None)[0]
    yy, xx = np.mgrid[top:bottom, left:right]
    expected = plane[0] + plane[1] * xx + plane[2] * yy
    off = np.abs(level[top:bottom, left:right] / np.maximum(expected, 1e-6) - 1)
    if float((off < AS_BRIGHT).mean()) > LIKE_SURROUND:
        raise NotMeasurable(
            "what stands out in the picture is mostly as bright as its surround: lines or a grid"
            " rather than a die"
        )
