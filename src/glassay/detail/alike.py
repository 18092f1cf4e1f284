"""Whether exposures show one scene alike, up to noise: what moved, turned, went soft or dim.

A pair that is no repeat loses correlation for a reason of its own, and its cut-off says nothing of
the instrument. Two exposures of one scene differ by noise alone, and noise follows neither the
scene's gradient, as a movement does, nor its strength ring by ring, as another focus does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.detail.repeat_result import RingCorrelation
from glassay.errors import NotMeasurable
from glassay.exposures import FOLLOWING_SHARE, OTHER_LIGHT
from glassay.imaging.tone import FloatImage
from glassay.registration import (
    CHANCE_DEVIATIONS,
    INDEPENDENT_PX,
    SMOOTHING_PX,
    Shift,
    find_shift,
    is_better_moved,
)

Array = npt.NDArray[np.float64]

LEAST_TILE_PX, LARGEST_TILE_PX = 96, 256
"""Sides of the tiles that are registered by themselves: detail enough in the smallest, and time enough
for the largest."""

MOST_TILES = 5
"""Tiles along one side: a turn and a magnification show in three, a part that moved in five."""

FEWEST_TILES = 4
"""Tiles of the whole picture below which a turn is not looked for."""

LOST_SHARE = 0.05
"""Share of the correlation, at the cut-off, that parts moved against each other may take away: the
correlation falls there by 5 % in 0.001 to 0.005 cycles/px, within the stated uncertainty."""

OTHER_STRENGTH = 0.1
"""Relative difference in power, in a band of rings, beyond which two exposures differ in focus or
movement: 5 % of the contrast, so that the cut-off of the one is not that of the other."""

SHARED = 0.3
"""Correlation above which a ring holds enough of the scene to compare its strength."""

FINEST_COMPARED = 0.35
"""Cycles/px up to which strengths are compared: beyond, aliases, demosaicing and filters against noise
make other strength of a scene that moved by a part of a px (a median filter 26 % at 0.42). Another
focus shows below as well: a blur of 0.4 px takes 40 % of the power at 0.3."""

RINGS_TOGETHER = 8
"""Rings whose powers are compared as one: single ones scatter."""

MOSTLY_SCENE = 0.5
"""Share beyond which the difference speaks of the scene and no longer of noise."""

LARGE_STEP_PX = 1.0
"""Movement of a tile beyond which the gradient no longer tells it and it is sought by correlation."""

STANDING_SHARE = 0.1
"""Share of the tiles that may stand still on the sensor while the scene moves: dust on the sensor and
its pattern do, in a tile or two of 25, and are what a moved scene is to tell apart."""

UNEXPLAINED = 0.15
"""Share of the scatter of tiles' movements that a turn and a magnification may leave to be named as the
cause: of a half that moved by itself a straight line leaves a quarter."""


@dataclass(frozen=True)
class LocalMovement:
    """How tiles of one exposure moved against those of another once the whole was registered.

    `spread` is the rms movement along one direction, px, weighted by detail, less what noise makes;
    `certain` whether noise alone would not make it; `words` what kind of movement it is.
    """

    spread: float
    certain: bool
    words: str


def to_equal_light(frames: Sequence[FloatImage]) -> list[FloatImage]:
    """The exposures scaled to the mean light of the first.

    Raises NotMeasurable where they differ in light by more than `OTHER_LIGHT`. What has negative
    values is no light and stays as it is.
    """
    if any(float(frame.min()) < 0 for frame in frames):
        return list(frames)
    levels = [float(frame.mean(dtype=np.float64)) for frame in frames]
    low, high = min(levels), max(levels)
    if high > OTHER_LIGHT * low:
        raise NotMeasurable(
            f"the exposures differ in light by {high / max(low, 1e-9) - 1:.0%}: they are no repeats;"
            " switch automatic exposure off"
        )
    return [
        np.asarray(frame * np.float32(levels[0] / level), dtype=np.float32)
        for frame, level in zip(frames, levels, strict=True)
    ]


def refuse_other_strength(rings: Sequence[RingCorrelation]) -> None:
    """Raises NotMeasurable where one exposure holds more of the scene's detail than the other, in any
    of the directions given: another focus, or movement while the shutter was open."""
    for one in rings:
        told = (one.correlation >= SHARED) & (one.frequency <= FINEST_COMPARED)
        shared = int(np.argmin(np.append(told, False)))
        for start in range(0, shared - RINGS_TOGETHER + 1, RINGS_TOGETHER):
            piece = slice(start, start + RINGS_TOGETHER)
            # Of two powers of correlation r: var((a - b) / (a + b)) = (1 - r^2) / (2 n).
            u = one.u[piece] / np.sqrt(np.maximum(1 - one.correlation[piece] ** 2, 1e-6))
            weight = 1 / u**2
            for differing in one.imbalance[:, piece]:
                mean = float(np.average(differing, weights=weight))
                chance = CHANCE_DEVIATIONS / math.sqrt(float(weight.sum()))
                if abs(mean) > max(OTHER_STRENGTH, chance):
                    raise NotMeasurable(
                        "the exposures are not equally sharp (about"
                        f" {float(one.frequency[piece].mean()):.2g} cycles/px one holds"
                        f" {(1 + abs(mean)) / (1 - abs(mean)) - 1:.0%} more power than the other): the"
                        " focus changed between them, or something moved while the shutter was open"
                    )


def checked_likeness(first: FloatImage, aligned: FloatImage, moved: Shift, end: float) -> float:
    """Share of the variance of the difference of two exposures that follows the scene's detail, once
    the second was moved back by `moved`.

    Raises NotMeasurable where parts of the scene moved against each other so far that correlation at
    `end` (cycles/px) suffers: a turn, a magnification, a part that moved by itself; and where the
    difference speaks of the scene more than of noise.
    """
    words = _jumped_tiles(first, aligned, moved)
    if not words:
        found = local_movement(first, aligned)
        lost = 1 - math.exp(-((2 * math.pi * end * found.spread) ** 2) / 2)
        words = found.words if found.certain and lost > LOST_SHARE else ""
    if words:
        dust = " (or dust on the sensor stood still)" if moved.distance > LARGE_STEP_PX else ""
        raise NotMeasurable(
            f"the exposures are no repeats: {words} between them{dust}; fix instrument and object"
        )
    share = following_share(first, aligned)
    if share > MOSTLY_SCENE:
        raise NotMeasurable(
            f"the exposures differ by the scene's own detail ({share:.0%} of their difference):"
            " something moved, or the focus or the light changed between them"
        )
    return share


def tiles_of(shape: tuple[int, ...]) -> list[tuple[slice, slice]]:
    """Pieces that lie evenly over a picture of this shape (height, width)."""
    counts = [min(MOST_TILES, max(1, side // LEAST_TILE_PX)) for side in shape]
    out = []
    for row in range(counts[0]):
        for column in range(counts[1]):
            piece = []
            for at, count, side in zip((row, column), counts, shape, strict=True):
                span = side // count
                size = min(span, LARGEST_TILE_PX)
                start = at * span + (span - size) // 2
                piece.append(slice(start, start + size))
            out.append((piece[0], piece[1]))
    return out


def _jumped_tiles(first: FloatImage, aligned: FloatImage, moved: Shift) -> str:
    """What moved, in words, where tiles moved by more than the gradient could tell."""
    height, width = first.shape
    places, steps, jumped, still = [], [], 0, 0
    pieces = tiles_of(first.shape)
    for piece in pieces:
        one, two = first[piece], aligned[piece]
        shift = find_shift(one, two)
        if not shift.is_certain:
            continue
        y, x = ((part.start + part.stop) / 2 for part in piece)
        places.append((x - width / 2, y - height / 2))
        steps.append((shift.dx, shift.dy))
        if shift.distance > LARGE_STEP_PX and is_better_moved(one, two, shift):
            stood = math.hypot(shift.dx + moved.dx, shift.dy + moved.dy) < LARGE_STEP_PX
            jumped, still = jumped + (not stood), still + stood
    if not jumped and still <= STANDING_SHARE * len(pieces):
        return ""
    return _movement_in_words(np.array(places), np.array(steps), np.ones(len(steps)))


def local_movement(first: FloatImage, aligned: FloatImage) -> LocalMovement:
    """The movement of tiles by the gradient equation (Lucas and Kanade 1981)."""
    explained = rank = strength = 0.0
    places, steps, weights = [], [], []
    pieces = tiles_of(first.shape)
    height, width = first.shape
    for piece in pieces:
        moments, toward, rest = _gradient_moments(first[piece], aligned[piece])
        trace = float(np.trace(moments))
        if trace <= 0 or rest <= 0:
            continue
        # Nothing tells a movement along parallel lines: only what is fixed counts.
        values, axes = np.linalg.eigh(moments)
        kept = values > 0.05 * values[-1]
        along = axes.T @ toward
        step = axes @ np.where(kept, along / np.where(kept, values, 1.0), 0.0)
        noise = rest * INDEPENDENT_PX
        explained += float((along[kept] ** 2 / values[kept]).sum()) / noise
        rank += float(kept.sum())
        strength += trace / noise
        y, x = ((part.start + part.stop) / 2 for part in piece)
        places.append((x - width / 2, y - height / 2))
        steps.append(step)
        weights.append(trace / noise)
    if len(steps) < FEWEST_TILES:
        return LocalMovement(0.0, False, "")
    spread = math.sqrt(max(explained - rank, 0.0) / strength)
    certain = explained > rank + CHANCE_DEVIATIONS * math.sqrt(2 * rank)
    return LocalMovement(
        spread, certain, _movement_in_words(np.array(places), np.array(steps), np.array(weights))
    )


def _gradient_moments(one: FloatImage, two: FloatImage) -> tuple[Array, Array, float]:
    """Sums over a tile: gradient by gradient, gradient by difference, and the variance that is left
    of the difference; all smoothed against noise."""
    a, b = (
        np.asarray(cv2.GaussianBlur(p, (0, 0), SMOOTHING_PX), dtype=np.float64) for p in (one, two)
    )
    middle, away = (a + b) / 2, a - b
    gradients = np.stack(
        [((middle[1:-1, 2:] - middle[1:-1, :-2]) / 2).ravel(),
         ((middle[2:, 1:-1] - middle[:-2, 1:-1]) / 2).ravel()]
    )  # fmt: skip
    away = away[1:-1, 1:-1].ravel()
    away -= away.mean()
    moments, toward = gradients @ gradients.T, gradients @ away
    left = float(away @ away) - float(toward @ np.linalg.pinv(moments, rcond=1e-6) @ toward)
    return moments, toward, max(left, 0.0) / away.size


def _movement_in_words(places: Array, steps: Array, weights: Array) -> str:
    """A turn or a magnification, where one explains most of the movement; else parts that moved."""
    x, y = places.T
    zero, one = np.zeros_like(x), np.ones_like(x)
    # dx = u + m x - t y, dy = v + m y + t x: moved by (u, v), magnified by m, turned by t.
    design = np.concatenate(
        [np.stack([one, zero, x, -y], axis=1), np.stack([zero, one, y, x], axis=1)]
    )
    root = np.sqrt(np.concatenate([weights, weights]))
    wanted = np.concatenate([steps[:, 0], steps[:, 1]])
    solution = np.linalg.lstsq(design * root[:, None], wanted * root, rcond=None)[0]
    rest = float(np.sum((wanted - design @ solution) ** 2 * root**2))
    centre = np.average(steps, axis=0, weights=weights)
    if rest < UNEXPLAINED * float(np.sum((steps - centre) ** 2 * weights[:, None])):
        grown, turned = float(solution[2]), float(solution[3])
        if abs(turned) > abs(grown):
            return f"the scene turned by about {math.degrees(abs(turned)):.2g}°"
        return f"the magnification changed by about {abs(grown):.2%}"
    far = float(np.hypot(*steps.T).max())
    return f"parts of the scene moved against each other by up to {far:.1f} px"


def following_share(first: FloatImage, aligned: FloatImage) -> float:
    """Share of the variance of the difference that follows the scene's gradient, curvature or strength
    tile by tile; 0 where chance could make it.

    Noise in the mean does no harm: the sum and the difference of two equal noises are independent.
    """
    total = followed = 0.0
    terms = count = 0
    for piece in tiles_of(first.shape):
        middle = np.asarray((first[piece] + aligned[piece]) / 2, dtype=np.float64)
        away = np.asarray(first[piece] - aligned[piece], dtype=np.float64)
        soft = cv2.GaussianBlur(middle, (0, 0), 0.8)
        basis = [cv2.Sobel(soft, cv2.CV_64F, *order, ksize=3)
                 for order in ((1, 0), (0, 1), (2, 0), (0, 2), (1, 1))]  # fmt: skip
        inner = (slice(4, -4), slice(4, -4))
        columns = np.stack([one[inner].ravel() for one in (*basis, soft)], axis=1)
        columns -= columns.mean(axis=0)
        difference = away[inner].ravel()
        difference = difference - difference.mean()
        strength = np.linalg.lstsq(columns, difference, rcond=None)[0]
        left = difference - columns @ strength
        total += float(difference @ difference)
        followed += float(difference @ difference) - float(left @ left)
        terms += columns.shape[1]
        count += difference.size
    if total <= 0:
        return 0.0
    share, chance = followed / total, terms * INDEPENDENT_PX / count
    return share if share > max(FOLLOWING_SHARE, 2 * chance) else 0.0
