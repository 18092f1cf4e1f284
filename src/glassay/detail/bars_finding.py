"""Finding triplets of bars anywhere in a picture: three equal, parallel bars, evenly spaced.

Bars are sought as connected areas at many brightness thresholds, so that neither uneven light nor
bars that blur has nearly merged need a threshold of their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from glassay.imaging.tone import FloatImage

Float = npt.NDArray[np.float64]

WORKING_PIXELS = 1_600_000
"""The picture is brought to about this many pixels, enlarged at most `MAX_ENLARGEMENT` times."""

MAX_ENLARGEMENT = 6.0
"""Interpolation adds no detail, but bars 2 px wide become areas with an outline."""

THRESHOLDS = 24
"""Brightness steps between the darkest and the brightest 1 %: two or more of them fall between bar
and space while the modulation is above 10 % of the full contrast."""

MIN_LENGTH, MAX_LENGTH = 9.0, 0.25
"""Length of a bar in the working picture: at least so many px, at most this share of its diagonal."""

ASPECT = (2.3, 10.0)
"""Length over width of an area that may be a bar. A bar is 5 : 1; blur and the threshold change both
sides alike, so that a bar 3 px wide seen at a low threshold is 4 : 1 or less."""

SPACING = 0.4
"""Distance of neighbouring bars over their length: two widths over five (MIL-STD-150A)."""

TOLERANCE = 0.28
"""Relative tolerance on `SPACING`: apparent length follows blur and threshold, and the two axes of
a picture need not have the same scale."""


MISS = 0.12
"""How far the middle bar may lie from half way, and lengths differ (a third of it), in lengths."""

NEAR_THRESHOLDS = 2
"""The three bars are seen at the same threshold, or at neighbouring ones in uneven light."""


@dataclass(frozen=True)
class Triplet:
    """Three bars: middle (x, y), the step from bar to bar and the direction of the bars, in px.

    `step` (dx, dy) goes from one bar to the next; `along` is the unit vector along the bars;
    `length` the bars' apparent length; `bright` whether they are brighter than their ground.
    """

    x: float
    y: float
    step: tuple[float, float]
    along: tuple[float, float]
    length: float
    bright: bool

    @property
    def period(self) -> float:
        """Distance from bar to bar at right angles to the bars, px."""
        (dx, dy), (ax, ay) = self.step, self.along
        return abs(dx * ay - dy * ax)


def find_triplets(image: FloatImage) -> list[Triplet]:
    """All triplets in a linear-light picture (height, width), in its px; both polarities."""
    height, width = image.shape
    scale = min(math.sqrt(WORKING_PIXELS / max(height * width, 1)), MAX_ENLARGEMENT)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    kind = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    working = np.asarray(cv2.resize(image, size, interpolation=kind), dtype=np.float32)
    if min(working.shape) < 3 * MIN_LENGTH:
        return []
    levels = _levels(working)
    found: list[Triplet] = []
    for bright in (True, False):
        bars = [
            (*bar, float(number))
            for number, level in enumerate(levels)
            for bar in _bars(working, level, bright)
        ]
        if len(bars) >= 3:
            found.extend(_triplets(np.array(bars), bright))
    factor = width / size[0], height / size[1]
    return without_repeats([_scaled(one, *factor) for one in found])


def _levels(working: FloatImage) -> Float:
    low, high = np.percentile(working[::4, ::4], (1, 99))
    # Even steps of the square root: dark pictures have their contrasts in a small part of the range.
    root_low, root_high = math.sqrt(max(float(low), 0)), math.sqrt(max(float(high), 0))
    shares = (np.arange(THRESHOLDS) + 0.5) / THRESHOLDS
    return np.asarray((root_low + (root_high - root_low) * shares) ** 2)


def _bars(working: FloatImage, level: float, bright: bool) -> list[tuple[float, ...]]:
    """Areas like bars: x, y, direction (rad, 0..pi), length, width."""
    mask = ((working > level) == bright).astype(np.uint8)
    contours, nesting = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if nesting is None:
        return []
    longest = MAX_LENGTH * math.hypot(*working.shape)
    bars: list[tuple[float, ...]] = []
    for contour, parent in zip(contours, nesting[0, :, 3], strict=True):
        if parent >= 0 or not 2 * MIN_LENGTH <= len(contour) <= 3 * longest:
            continue
        (x, y), (a, b), turn = cv2.minAreaRect(contour)
        length, width = max(a, b) + 1, min(a, b) + 1  # outlines run through pixel centres
        if not (MIN_LENGTH <= length <= longest and ASPECT[0] <= length / width <= ASPECT[1]):
            continue
        if cv2.contourArea(contour) + len(contour) / 2 < 0.72 * length * width:
            continue
        direction = math.radians(turn if a >= b else turn + 90) % math.pi
        bars.append((x, y, direction, length, width))
    return bars


def _triplets(bars: Float, bright: bool) -> list[Triplet]:
    tree = cKDTree(bars[:, :2])
    normal = np.stack([-np.sin(bars[:, 2]), np.cos(bars[:, 2])], axis=1)
    length = bars[:, 3]
    found = []
    reach = SPACING * TOLERANCE * length + 1.0
    ahead = tree.query_ball_point(bars[:, :2] + SPACING * length[:, None] * normal, reach)
    behind = tree.query_ball_point(bars[:, :2] - SPACING * length[:, None] * normal, reach)
    for middle, (after, before) in enumerate(zip(ahead, behind, strict=True)):
        pair = _best_pair(bars, middle, before, after)
        if pair is not None:
            found.append(_triplet(bars[[pair[0], middle, pair[1]]], bright))
    return found


def _best_pair(
    bars: Float, middle: int, before: list[int], after: list[int]
) -> tuple[int, int] | None:
    own = bars[middle]
    first, last = _alike(bars, own, before), _alike(bars, own, after)
    if not first.size or not last.size:
        return None
    # The middle bar lies half way, and the three have one length.
    halfway = (bars[first, None, :2] + bars[None, last, :2]) / 2 - own[:2]
    longer = np.maximum(np.maximum(bars[first, None, 3], bars[None, last, 3]), own[3])
    shorter = np.minimum(np.minimum(bars[first, None, 3], bars[None, last, 3]), own[3])
    miss = (np.hypot(halfway[..., 0], halfway[..., 1]) + (longer - shorter) / 3) / own[3]
    i, j = np.unravel_index(int(miss.argmin()), miss.shape)
    return (int(first[i]), int(last[j])) if miss[i, j] < MISS else None


def _alike(bars: Float, own: Float, others: list[int]) -> npt.NDArray[np.intp]:
    index = np.array(others, dtype=np.intp)
    other = bars[index]
    turn = np.abs(own[2] - other[:, 2])
    alike = (
        (np.abs(own[3] / other[:, 3] - 1) < 0.2)
        & (np.minimum(turn, math.pi - turn) < math.radians(9))
        & (np.abs(np.log(own[4] / other[:, 4])) < 0.5)
        & (np.abs(own[5] - other[:, 5]) <= NEAR_THRESHOLDS)
    )
    return np.asarray(index[alike], dtype=np.intp)


def _triplet(three: Float, bright: bool) -> Triplet:
    step = (three[2, :2] - three[0, :2]) / 2
    doubled = np.exp(2j * three[:, 2]).mean()
    direction = float(np.angle(doubled)) / 2
    x, y = three[:, :2].mean(axis=0)
    return Triplet(
        float(x), float(y), (float(step[0]), float(step[1])),
        (math.cos(direction), math.sin(direction)), float(three[:, 3].mean()), bright,
    )  # fmt: skip


def _scaled(one: Triplet, fx: float, fy: float) -> Triplet:
    along = (one.along[0] * fx, one.along[1] * fy)
    norm = math.hypot(*along)
    return Triplet(
        (one.x + 0.5) * fx - 0.5, (one.y + 0.5) * fy - 0.5, (one.step[0] * fx, one.step[1] * fy),
        (along[0] / norm, along[1] / norm), one.length * norm, one.bright,
    )  # fmt: skip


def without_repeats(triplets: list[Triplet]) -> list[Triplet]:
    """One triplet for each place: the mean of those that different thresholds gave."""
    groups: list[list[Triplet]] = []
    for one in triplets:
        for group in groups:
            if _same(one, group[0]):
                group.append(one)
                break
        else:
            groups.append([one])
    return [_mean(group) for group in groups]


def _same(one: Triplet, other: Triplet) -> bool:
    distance = math.hypot(one.x - other.x, one.y - other.y)
    parallel = abs(one.along[0] * other.along[0] + one.along[1] * other.along[1])
    return (
        one.bright == other.bright
        and distance < 0.5 * min(one.period, other.period)
        and parallel > 0.9
        and 0.8 < one.period / other.period < 1.25
    )


def _mean(group: list[Triplet]) -> Triplet:
    def aligned(vector: tuple[float, float], like: tuple[float, float]) -> tuple[float, float]:
        sign = 1.0 if vector[0] * like[0] + vector[1] * like[1] >= 0 else -1.0
        return sign * vector[0], sign * vector[1]

    first = group[0]
    step = np.mean([aligned(one.step, first.step) for one in group], axis=0)
    along = np.mean([aligned(one.along, first.along) for one in group], axis=0)
    along /= np.hypot(*along)
    return Triplet(
        float(np.mean([one.x for one in group])), float(np.mean([one.y for one in group])),
        (float(step[0]), float(step[1])), (float(along[0]), float(along[1])),
        float(np.mean([one.length for one in group])), first.bright,
    )  # fmt: skip
