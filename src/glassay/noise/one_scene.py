"""Whether two exposures differ by noise alone: same size, same light, nothing moved, one scene."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.exposures import FOLLOWING_SHARE, OTHER_LIGHT
from glassay.fitting import block_mean
from glassay.imaging.tone import FloatImage
from glassay.registration import (
    CHANCE_DEVIATIONS,
    INDEPENDENT_PX,
    SMOOTHING_PX,
    find_shift,
    is_better_moved,
)

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SMALLEST_SIDE_PX = 96
STILL_SAME = 0.5
"""Share of px that may be equal in both exposures: beyond, rounding or a filter hides the noise."""
MOVED_PX = 0.3
PATCHES_PX = (16, 32)
"""Sides of the patches compared. Compression rounds blocks of 8 px, colour of 16 px, as wholes."""
DETAIL_PX = (1.0, 2.0, 4.0, 8.0)
"""Standard deviations of the blurs whose differences are the scene's detail, fine to coarse."""
WIDE_PX = 160
"""Square over which mean light may drift: a lamp's flicker over the picture is no other scene."""
PATCHY_SHARE = 0.1
"""Share of the variance of a px's difference that may come in patches; it would make the signal to
noise 5 % too small. Simulated pairs of one scene, sharp and soft, raw to JPEG 50, gave up to 0.013;
of two chips or two clouds of the same light 0.18 to 0.32."""


def refuse_other_scenes(a: FloatImage, b: FloatImage) -> None:
    """Raises NotMeasurable where two exposures (height, width), linear light, are no pair that
    differs by noise alone, with the reason."""
    _refuse_shapes(a, b)
    if np.array_equal(a, b):
        raise NotMeasurable(
            "the exposures are identical pixel for pixel: a copied file, or a camera that gives no"
            " second picture"
        )
    same = float(np.mean(a == b))
    if same > STILL_SAME:
        raise NotMeasurable(
            f"{same:.0%} of the px are equal in both exposures: rounding,"
            " denoising or compression leaves no noise to measure"
        )
    shift = find_shift(a, b)
    if shift.is_certain and shift.distance > MOVED_PX and is_better_moved(a, b, shift):
        raise NotMeasurable(
            f"the scene moved by {shift.distance:.2f} px between the exposures, which looks like"
            " noise: take them without touching anything"
        )
    level = float(a.mean()), float(b.mean())
    if max(level) > OTHER_LIGHT * max(min(level), 1e-9):
        raise NotMeasurable(
            f"the exposures differ in light by {max(level) / max(min(level), 1e-9) - 1:.0%}: switch"
            " automatic exposure off, or put the exposures in pairs"
        )
    share, chance = patchy_share(a, b)
    if share > PATCHY_SHARE and share > CHANCE_DEVIATIONS * chance:
        raise NotMeasurable(
            f"the exposures differ in patches and not px by px ({share:.0%} of their difference):"
            " they show two scenes, or the light changed in places between them"
        )


def _refuse_shapes(a: FloatImage, b: FloatImage) -> None:
    if a.shape != b.shape:
        sizes = " and ".join(f"{p.shape[1]} x {p.shape[0]}" for p in (a, b))
        raise NotMeasurable(f"the exposures differ in size: {sizes} px")
    if min(a.shape) < SMALLEST_SIDE_PX:
        raise NotMeasurable(
            f"{a.shape[1]} x {a.shape[0]} px is too small; {SMALLEST_SIDE_PX} px both ways are needed"
        )


def patchy_share(a: FloatImage, b: FloatImage) -> tuple[float, float]:
    """Share of the variance of single px's differences that comes in patches, and its deviation by
    chance if there were none.

    The variance of the mean of n px of noise is 1 / n of theirs, times a constant where it was
    smoothed: v16 = N / 256 + T, v32 = N / 1024 + T, so that T = (4 v32 - v16) / 3 is what does not
    average out. Px of two scenes differ so, because chips, dirt and light have extent.
    """
    scale = np.float32(float(a.mean()) / max(float(b.mean()), 1e-9))
    difference = np.asarray(a - b * scale, dtype=np.float32)
    powers, counts = [], []
    for side in PATCHES_PX:
        patches = block_mean(difference, side)
        wide = 2 * (WIDE_PX // side // 2) + 1
        kept = float(wide**2) / (wide**2 - 1)
        away = patches - cv2.blur(patches, (wide, wide), borderType=cv2.BORDER_REFLECT)
        powers.append(float(np.mean(away.astype(np.float64) ** 2)) * kept)
        counts.append(patches.size)
    total = float(np.mean(difference.astype(np.float64) ** 2))
    if total <= 0:
        return 0.0, 1.0
    small, large = powers
    # Of noise alone v32 is a quarter of v16; var(s^2) = 2 s^4 / n.
    chance = small * math.hypot(math.sqrt(2 / counts[0]), math.sqrt(2 / counts[1])) / 3
    return (4 * large - small) / 3 / total, chance / total


def refuse_followed_detail(mean: FloatImage, difference: FloatImage, used: Mask) -> None:
    """Raises NotMeasurable where the difference of two exposures (height, width) is a multiple of the
    detail of their mean in the px `used`, as another focus makes it and noise never does.

    What a blur takes away is the scene's detail: of a little blur its Laplacian, of more of it coarser
    bands. Noise in the mean does no harm: the sum and the difference of two equal noises are
    independent.
    """
    count = int(used.sum())
    if count < SMALLEST_SIDE_PX:
        return
    bands = [
        cv2.GaussianBlur(mean, (0, 0), s) - cv2.GaussianBlur(mean, (0, 0), 1.5 * s)
        for s in DETAIL_PX
    ]
    detail = np.stack([np.asarray(band)[used] for band in bands], axis=1).astype(np.float64)
    detail -= detail.mean(axis=0)
    away = difference[used].astype(np.float64)
    away -= away.mean()
    strength = np.linalg.lstsq(detail, away, rcond=None)[0]
    share = 1 - float(((away - detail @ strength) ** 2).sum()) / max(float(away @ away), 1e-300)
    if share > FOLLOWING_SHARE and share > len(DETAIL_PX) * CHANCE_DEVIATIONS**2 / count:
        raise NotMeasurable(
            f"the exposures differ by the scene's own detail ({share:.0%} of their difference in even"
            " parts): the focus or the scene changed between them, or they are one exposure stored"
            " twice"
        )


def share_detail(a: FloatImage, b: FloatImage) -> bool:
    """Whether the detail of both exposures, smoothed over their noise, is alike beyond chance."""
    one, two = (
        np.asarray(cv2.GaussianBlur(p, (0, 0), SMOOTHING_PX) - cv2.blur(p, (25, 25)))
        .ravel().astype(np.float64)
        for p in (a, b)
    )  # fmt: skip
    norm = math.sqrt(float(one @ one) * float(two @ two))
    chance = math.sqrt(INDEPENDENT_PX / one.size)
    return norm > 0 and float(one @ two) / norm > CHANCE_DEVIATIONS * chance
