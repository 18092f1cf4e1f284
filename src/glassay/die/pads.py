"""Bond pads on a die that lies level: bright even rectangles with an edge all around, near its rim.

A pad is told by the corners of its frame: the outer thirds of its four sides are bright within and
darker without. What covers its middle (a ball, a wire, the mark of a probe) is not asked after.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from glassay.fitting import block_mean
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

SEARCH_PX = 720
"""Longer side of the reduced die in which pads are looked for."""

SIZES = (0.008, 0.14)
"""Sides of pads that are looked for, parts of the die's longer side."""

SMALLEST_PX, OCTAVE_PX = 6.0, 8.0
"""Smallest side of a pad in px of the reduced die, and from which size on (twice this) it is looked for
in a picture of half the size."""

SIZE_STEP = 1.15
"""Ratio of one size that is tried to the next: an edge is then within 4 % of the side of where it is
looked for, and the strips beside it begin 5 % away."""

SHAPES = (1.0, 1.35, 1 / 1.35, 1.8, 1 / 1.8)
"""Ratios of height to width that are tried."""

GAP, STRIP = 0.05, 0.12
"""Distance of the strips from an edge and their width, parts of the shorter side."""

LEAST_CONTRAST = 0.07
"""Least contrast (inner - outer) / (inner + outer) of the strips at an edge of a pad. One of the eight
outer thirds may fail: a line leaves the pad there, or a wire lies across."""

EVEN = 0.62
"""Least ratio of the darkest inner strip to the brightest; one of the eight may fail here too."""

THIRDS = ((False, -1, -1), (True, 1, 1), (False, 1, 1), (True, -1, -1),
          (False, -1, 1), (True, 1, -1), (False, 1, -1), (True, -1, 1))  # fmt: skip
"""The eight outer thirds of a frame: whether of an upright side, which side, and which of its ends. The
first of them are those that have least to do with each other."""

EVERYWHERE = 2
"""So many of them are held against their surround at every place. Where both fail it is settled, which
is four places in five (drawn dies); the others are looked at where that is not so."""

BAND = 0.22
"""Depth of the band along the rim in which pads lie, part of the die's shorter side."""

PART_PX = 128
"""Side of the parts of the picture that are searched one after the other (flat: 96 to 192)."""

FINE_GAP, FINE_STRIP = 0.015, 0.05
"""The same where the edges are placed to sub-px; the gap one px more, for the blur."""

FRAME_LIGHT = 90.0
"""Percentile of a rectangle's light that counts as its frame's: a ball and a wire may leave less than
a quarter of a pad in sight."""

OVERLAP = 0.35
"""Part of the smaller of two rectangles that may lie within the other."""

OTHER_SIZE = 2.0
"""Ratio of areas from which two rectangles are not two views of one."""


@dataclass(frozen=True)
class Spot:
    """A rectangle that may be a pad: middle and size (px of the die), contrast of its edges 0..1, and
    how bright its frame is (linear light)."""

    x: float
    y: float
    width: float
    height: float
    contrast: float
    light: float


def find_spots(level: FloatImage, step: float) -> list[Spot]:
    """Bright even rectangles near the rim of a die laid level, one value every `step` px."""
    longest = max(level.shape)
    least, most = max(SIZES[0] * longest, SMALLEST_PX), SIZES[1] * longest
    found: list[Spot] = []
    while least < most and min(level.shape) > 4 * least:
        sizes = np.arange(np.log(least), np.log(min(most, 2 * OCTAVE_PX)), np.log(SIZE_STEP))
        found += _spots(level, [float(size) for size in np.exp(sizes)], step)
        level, step, most = block_mean(level, 2), 2 * step, most / 2
        least = OCTAVE_PX
    return _apart(found)


def _spots(level: FloatImage, sizes: list[float], step: float) -> list[Spot]:
    """The best rectangle of these sizes (px of `level`) at each place, where it is better than at the
    places around."""
    rows, columns = level.shape
    kinds = [(size * shape**-0.5, size * shape**0.5) for size in sizes for shape in SHAPES]
    if not kinds:
        return []
    margin = math.ceil(max(max(kind) for kind in kinds))
    total = np.asarray(
        cv2.integral(np.pad(level, margin, mode="edge"), sdepth=cv2.CV_64F), np.float64
    )
    best, what = np.zeros_like(level), np.zeros(level.shape, np.int32)
    for y0, y1, x0, x1 in _along_the_rim(rows, columns):
        here, kind = best[y0:y1, x0:x1], what[y0:y1, x0:x1]
        sums = np.ascontiguousarray(total[y0 : y1 + 2 * margin + 1, x0 : x1 + 2 * margin + 1])
        for number, (w, h) in enumerate(kinds):
            score = _score(sums, margin, w, h)
            near_x, near_y = math.ceil(0.62 * w), math.ceil(0.62 * h)
            score[: max(0, near_y - y0)], score[max(0, rows - near_y - y0) :] = 0, 0
            score[:, : max(0, near_x - x0)], score[:, max(0, columns - near_x - x0) :] = 0, 0
            better = score > here
            here[better] = score[better]
            kind[better] = number
    top = cv2.dilate(best, np.ones((3, 3), np.uint8))
    out = []
    for y, x in zip(*np.nonzero((best > 0) & (best >= top)), strict=True):
        w, h = kinds[what[y, x]]
        box = level[max(0, round(y - h / 2)) : round(y + h / 2) + 1,
                    max(0, round(x - w / 2)) : round(x + w / 2) + 1]  # fmt: skip
        out.append(Spot((x + 0.5) * step, (y + 0.5) * step, w * step, h * step,
                        float(best[y, x]), float(np.percentile(box, FRAME_LIGHT))))  # fmt: skip
    return out


def _along_the_rim(rows: int, columns: int) -> Iterator[tuple[int, int, int, int]]:
    """Top, bottom, left and right of small parts of a die's picture that are all of its rim's band:
    what is worked out over one of them stays in the processor's own memory."""
    depth = round(BAND * min(rows, columns))
    inner = rows - depth, columns - depth
    bands = [(0, depth, 0, columns), (inner[0], rows, 0, columns),
             (depth, inner[0], 0, depth), (depth, inner[0], inner[1], columns)]  # fmt: skip
    for top, bottom, left, right in bands:
        for y in range(top, bottom, PART_PX):
            for x in range(left, right, PART_PX):
                yield y, min(y + PART_PX, bottom), x, min(x + PART_PX, right)


def _score(
    total: Array, margin: int, w: float, h: float, strips: tuple[float, float] | None = None
) -> FloatImage:
    """Contrast of the frame of a rectangle of w x h about each px, 0 where it is none, from the sums of
    a picture with `margin` px around it. `strips`: how far from the edge they begin, how wide, px."""
    gap, strip = strips or (GAP * min(w, h), max(1.0, STRIP * min(w, h)))
    rows, columns = total.shape[0] - 1 - 2 * margin, total.shape[1] - 1 - 2 * margin
    far = np.full((rows, columns), 2.0, np.float32)
    contrasts, lights, brightest = (far, far), (far, far), np.zeros_like(far)
    left, corners = np.arange(rows * columns), None
    for number, (across, side, end) in enumerate(THIRDS):
        if number >= EVERYWHERE:
            here = np.flatnonzero(contrasts[1] > LEAST_CONTRAST)
            left = left[here]
            corners = left + left // columns * (2 * margin + 1)
            contrasts = contrasts[0].take(here), contrasts[1].take(here)
            lights = lights[0].take(here), lights[1].take(here)
            brightest = brightest.take(here)
        long, short = (h, w) if across else (w, h)
        edge = side * short / 2
        within = sorted((edge - side * gap, edge - side * (gap + strip)))
        beyond = sorted((edge + side * gap, edge + side * (gap + strip)))
        span = sorted((end * (long / 2 - gap), end * long / 6))
        mine, other = (
            _mean(total, margin, corners, *((*part, *span) if across else (*span, *part)))
            for part in (within, beyond)
        )
        contrasts = _two_least(*contrasts, (mine - other) / (mine + other + 1e-6))
        lights = _two_least(*lights, mine)
        brightest = np.maximum(brightest, mine)
    # the second least of eight: one may fail
    good = (lights[1] > EVEN * brightest) & (contrasts[1] > LEAST_CONTRAST)
    score = np.zeros((rows, columns), np.float32)
    score.reshape(-1)[left] = np.where(good, contrasts[1], 0.0)
    return score


def _two_least(
    least: FloatImage, second: FloatImage, more: FloatImage
) -> tuple[FloatImage, FloatImage]:
    return np.minimum(least, more), np.minimum(second, np.maximum(least, more))


def _mean(
    total: Array, margin: int, corners: Places | None, x0: float, x1: float, y0: float, y1: float
) -> FloatImage:
    """Means over boxes from x0 to x1 and y0 to y1 about the middle of every px, in whole px, or of
    some: of those whose margins' upper left corners lie at these places in the sums, row by row."""
    left, top = round(x0 + 0.5), round(y0 + 0.5)
    right, bottom = max(round(x1 + 0.5), left + 1), max(round(y1 + 0.5), top + 1)
    rows, columns = total.shape[0] - 1 - 2 * margin, total.shape[1] - 1 - 2 * margin

    def at(y: int, x: int) -> Array:
        y, x = margin + y, margin + x
        if corners is None:
            return total[y : y + rows, x : x + columns]
        return np.asarray(np.take(total.reshape(-1), corners + (y * total.shape[1] + x)))

    sums = at(bottom, right) - at(top, right)
    sums -= at(bottom, left)
    sums += at(top, left)
    sums /= (right - left) * (bottom - top)
    return np.asarray(sums, dtype=np.float32)


def _apart(spots: list[Spot]) -> list[Spot]:
    """Those that do not lie within a better one, the best first."""
    kept: list[Spot] = []
    for spot in sorted(spots, key=lambda s: -s.contrast):
        if all(shared(spot, other) < OVERLAP for other in kept):
            kept.append(spot)
    return kept


def shared(one: Spot, other: Spot) -> float:
    """Part of the smaller rectangle that lies within the other; 0 where their sizes are far apart: a
    ball on a pad, or what two pads frame together, is told from pads by rows."""
    if (abs(one.x - other.x) >= one.width + other.width
            or abs(one.y - other.y) >= one.height + other.height):  # fmt: skip
        return 0.0  # far apart, as most are
    areas = sorted((one.width * one.height, other.width * other.height))
    if areas[1] > OTHER_SIZE * areas[0]:
        return 0.0
    wide = min(one.x + one.width / 2, other.x + other.width / 2) - max(
        one.x - one.width / 2, other.x - other.width / 2
    )
    high = min(one.y + one.height / 2, other.y + other.height / 2) - max(
        one.y - one.height / 2, other.y - other.height / 2
    )
    return max(wide, 0.0) * max(high, 0.0) / areas[0]


def frame_contrast(level: FloatImage, spot: Spot) -> float:
    """Contrast of a rectangle's frame on the die laid level px by px: the second least of the eight
    outer thirds of its sides (see `find_spots`), 0 where it is uneven or not wholly on the die."""
    left, top = math.floor(spot.x - 0.8 * spot.width), math.floor(spot.y - 0.8 * spot.height)
    right, bottom = math.ceil(spot.x + 0.8 * spot.width), math.ceil(spot.y + 0.8 * spot.height)
    if min(left, top) < 0 or right >= level.shape[1] or bottom >= level.shape[0]:
        return 0.0
    part = np.ascontiguousarray(level[top:bottom, left:right])
    margin = math.ceil(max(spot.width, spot.height))
    total = np.asarray(
        cv2.integral(np.pad(part, margin, mode="edge"), sdepth=cv2.CV_64F), np.float64
    )
    x, y = round(spot.x - left - 0.5), round(spot.y - top - 0.5)
    # edges are placed by now: strips close to them, before a neighbour of the pad begins
    strips = (1.0 + FINE_GAP * min(spot.width, spot.height), max(1.0, FINE_STRIP * spot.width))
    sums = total[y - 1 : y + 3 + 2 * margin, x - 1 : x + 3 + 2 * margin]
    return float(_score(sums, margin, spot.width, spot.height, strips).max())


REACH = 0.25
"""How far from where an edge of a pad is expected it is looked for, part of the shorter side."""

INNERMOST = 0.5
"""Part of the steepest change there from which a change is the pad's edge if none is nearer to its
middle: a supply line or the seal ring close by has an edge as strong."""

LEAST_SIDES = 3
"""Sides of a rectangle whose edge must be found for it to stay."""


def middles_without_edge(level: FloatImage, spot: Spot) -> tuple[int, bool]:
    """In the middle thirds of how many of a rectangle's sides there is no edge, on the die laid level
    px by px, and whether two of them are opposite. A wire or a ball hides one or two; what two pads
    frame between them, or lines at a corner, has none where the ground lies open."""
    short = min(spot.width, spot.height)
    gap, strip = max(1.0, GAP * short), max(1.0, STRIP * short)
    bare = []
    for across in (False, True):
        long, wide = (spot.width, spot.height) if across else (spot.height, spot.width)
        for side in (-1, 1):
            light = []
            for way in (-1, 1):
                at = side * (wide / 2 + way * (gap + strip / 2))
                x, y = (0.0, at) if across else (at, 0.0)
                w, h = (long / 3, strip) if across else (strip, long / 3)
                light.append(_light_in(level, spot.x + x, spot.y + y, w, h))
            within, beyond = light
            bare.append((within - beyond) / (within + beyond + 1e-6) < LEAST_CONTRAST)
    return sum(bare), (bare[0] and bare[1]) or (bare[2] and bare[3])


def _light_in(level: FloatImage, x: float, y: float, width: float, height: float) -> float:
    """Mean light in a rectangle about a place, in whole px; 0 beside the die."""
    left, top = max(0, round(x - width / 2)), max(0, round(y - height / 2))
    box = level[top : max(top + 1, round(y + height / 2)),
                left : max(left + 1, round(x + width / 2))]  # fmt: skip
    return float(box.mean()) if box.size else 0.0


def refined(level: FloatImage, spot: Spot) -> Spot | None:
    """The rectangle with its edges placed to sub-px, on the die laid level px by px; None where its
    sides are not edges."""
    box = [spot.x - spot.width / 2, spot.x + spot.width / 2,
           spot.y - spot.height / 2, spot.y + spot.height / 2]  # fmt: skip
    for _ in range(2):
        w, h = box[1] - box[0], box[3] - box[2]
        if min(w, h) < SMALLEST_PX / 2:
            return None
        spans = {0: (box[2], box[3]), 1: (box[0], box[1])}
        placed = []
        for number, sign in ((0, 1), (1, -1), (2, 1), (3, -1)):
            axis = number // 2
            placed.append(_edge(level, box[number], sign, axis, spans[axis], REACH * min(w, h)))
        if sum(p is not None for p in placed) < LEAST_SIDES:
            return None
        sides = [w, h]
        for axis in (0, 1):
            low, high = placed[2 * axis], placed[2 * axis + 1]
            # one edge lies hidden: the rectangle keeps its size
            box[2 * axis] = low if low is not None else (high or 0.0) - sides[axis]
            box[2 * axis + 1] = high if high is not None else (low or 0.0) + sides[axis]
    if min(box[1] - box[0], box[3] - box[2]) < SMALLEST_PX / 2:  # edges that have met
        return None
    found = Spot((box[0] + box[1]) / 2, (box[2] + box[3]) / 2, box[1] - box[0], box[3] - box[2],
                 spot.contrast, spot.light)  # fmt: skip
    return replace(found, contrast=max(spot.contrast, frame_contrast(level, found)))


def _edge(
    level: FloatImage, at: float, sign: int, axis: int, span: tuple[float, float], reach: float
) -> float | None:
    """Where light rises (`sign` 1) or falls along an axis near `at`, by the outer thirds of the span:
    the middle of the steepest rise. Places are px from the die's corner."""
    reach = max(reach, 3.0)
    first, last = round(at - reach), round(at + reach)
    low, high = span
    third = (high - low) / 3
    inset = 0.06 * (high - low)
    parts = [(low + inset, low + third), (high - third, high - inset)]
    size = level.shape[1 - axis]
    first, last = max(0, first), min(size, last)
    if last - first < 5:
        return None
    found = []
    for start, stop in parts:
        a, b = max(0, round(start)), max(round(start) + 1, round(stop))
        strip = level[a:b, first:last] if axis == 0 else level[first:last, a:b].T
        if not strip.size:
            continue
        profile = strip.mean(axis=0).astype(np.float64)
        change = sign * np.diff(profile)
        if change.max() <= 0:
            continue
        inner, outer = (
            np.concatenate([[-np.inf], change[:-1]]),
            np.concatenate([change[1:], [-np.inf]]),
        )
        steep = np.flatnonzero(
            (change >= inner) & (change > outer) & (change >= INNERMOST * change.max())
        )
        top = int(steep[-1] if sign > 0 else steep[0])
        rise = float(np.ptp(profile))
        if change[top] <= 0 or rise < 2 * LEAST_CONTRAST * float(profile.max()):
            continue
        a, b = top, top
        while a > 0 and change[a - 1] > 0.2 * change[top]:
            a -= 1
        while b + 1 < change.size and change[b + 1] > 0.2 * change[top]:
            b += 1
        weight = change[a : b + 1]
        found.append(first + 1 + float((weight * np.arange(a, b + 1)).sum() / weight.sum()))
    if not found:
        return None
    if len(found) == 2 and abs(found[0] - found[1]) > 0.12 * (high - low) + 1.0:
        return None
    return float(np.mean(found))
