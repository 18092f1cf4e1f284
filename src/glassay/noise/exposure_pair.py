"""Two exposures of one scene as noise is measured in them: their mean, their difference, even px."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity

Mask = npt.NDArray[np.bool_]

STEEPEST = 0.6
"""Share of px, those with the least gradient, that count: on edges a movement of 0.01 px would look
like noise."""
SOBEL_NOISE = 8 / (math.sqrt(8 * math.pi) * 4) / math.sqrt(2)
"""Gradient (Sobel, unscaled) that is left of white noise of one in each of two exposures, averaged
and smoothed by 2 px."""
NEARLY_FULL = 0.97
"""Light above which clipping narrows the noise, shares of full scale (with three deviations)."""
PATTERN_SMOOTHING_PX = 8.0
"""Fixed pattern is what varies faster than this, px: that of single pixels, rows and columns does,
light across a field does not."""


@dataclass(frozen=True)
class Pair:
    """Mean, its smoothed copy, scaled difference (of one exposure's variance), and which px count.

    Pixels are sorted by their own mean: given the sum of two Poisson counts, their difference has
    exactly the variance that belongs to that sum, so that noise in the sorting does no harm.
    """

    mean: FloatImage
    soft: FloatImage
    difference: FloatImage
    used: Mask


def look_at(
    a: FloatImage,
    b: FloatImage,
    full: Mask | None,
    levels: npt.NDArray[np.floating] | None,
) -> Pair:
    """The pair as it is measured (see `measure_noise` for `full` and `levels`)."""
    stored = None if levels is None else _by_stored_value(a, b, levels)
    # A lamp that flickers changes everything in proportion (EMVA 1288 subtracts the means). Both are
    # brought to the light between: of one brought to the other, electrons were off by the whole of it.
    part = math.sqrt(float(b.mean()) / float(a.mean()))
    a = np.asarray(a * np.float32(part), dtype=np.float32)
    b = np.asarray(b / np.float32(part), dtype=np.float32)
    mean = np.asarray((a + b) / 2 if stored is None else stored, dtype=np.float32)
    difference = np.asarray((a - b) * np.float32(math.sqrt(0.5)), dtype=np.float32)
    soft = np.asarray(cv2.GaussianBlur(mean, (0, 0), 2.0), dtype=np.float32)
    steep = cv2.magnitude(
        cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3), cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3)
    )
    # In proportion to the light, so that a dark and a bright plain count alike.
    relative = steep / np.maximum(soft, 0.01)
    spread = float(np.median(np.abs(difference))) / 0.6745
    # What white noise of this size leaves of a gradient, four times: less is flat.
    flat = 4 * spread * SOBEL_NOISE / max(float(np.median(soft)), 0.01)
    used = relative <= max(flat, float(np.quantile(relative[::3, ::3], STEEPEST)))
    used &= soft < NEARLY_FULL - 3 * spread
    if full is not None:
        used &= cv2.dilate(full.astype(np.uint8), np.ones((5, 5), np.uint8)) == 0
    return Pair(mean, soft, difference, np.asarray(used))


def _by_stored_value(
    a: FloatImage, b: FloatImage, levels: npt.NDArray[np.floating]
) -> npt.NDArray[np.float64]:
    """Light of the mean stored value of both.

    Of pairs of values with one sum, those that differ more have a little more mean light, since the
    tone curve is bent. Sorted by light, a limit between levels would part them by their difference:
    variances beside it were 20 % off, one up and the next down.
    """
    values = np.arange(len(levels), dtype=np.float64)
    place = (np.interp(a, levels, values) + np.interp(b, levels, values)) / 2
    return np.asarray(np.interp(np.rint(2 * place) / 2, values, levels))


def correlation_of(pairs: Sequence[Pair]) -> Quantity:
    """Mean correlation of differences of neighbours along x and along y."""
    product, square, count = 0.0, 0.0, 0
    for pair in pairs:
        d = np.where(pair.used, pair.difference, 0).astype(np.float64)
        for one, other, both in (
            (d[:, 1:], d[:, :-1], pair.used[:, 1:] & pair.used[:, :-1]),
            (d[1:], d[:-1], pair.used[1:] & pair.used[:-1]),
        ):
            product += float((one * other)[both].sum())
            square += float((one**2 + other**2)[both].sum()) / 2
            count += int(both.sum())
    if square <= 0:
        raise NotMeasurable("no part of the photos is even enough to tell noise from detail")
    return Quantity.of(product / square, 1 / math.sqrt(max(count, 1)), "1", "number of px")


def fixed_pattern(
    pairs: Sequence[tuple[FloatImage, FloatImage]], looked: Sequence[Pair]
) -> Quantity | None:
    """Spread from px to px that stays, relative to the mean, of flat fields (PRNU of EMVA 1288 with
    the smooth part of the light taken out); None where the scene is not flat."""
    values, errors = [], []
    for (a, b), pair in zip(pairs, looked, strict=True):
        # What both have in common beyond smooth light: their covariance, free of temporal noise.
        high = [p - cv2.GaussianBlur(p, (0, 0), PATTERN_SMOOTHING_PX) for p in (a, b)]
        level = float(pair.mean.mean())
        if float(np.std(pair.soft - cv2.GaussianBlur(pair.soft, (0, 0), 12))) > 0.01 * level:
            return None
        # Beside the border light is taken to be mirrored, and its slope looked like a pattern; what is
        # smooth in both is the bend of light that falls off to the corners.
        smooth = [cv2.GaussianBlur(h, (0, 0), PATTERN_SMOOTHING_PX) for h in high]
        rim = round(3 * PATTERN_SMOOTHING_PX)
        inner = np.s_[rim:-rim, rim:-rim] if min(a.shape) > 4 * rim else np.s_[:, :]
        product = high[0][inner].astype(np.float64) * high[1][inner]
        common = float(product.mean()) - float((smooth[0] * smooth[1])[inner].mean())
        error = float(product.std()) / math.sqrt(product.size / 10)
        values.append(math.sqrt(max(common, 0.0)) / level)
        errors.append(error / (2 * max(values[-1], math.sqrt(error) / level) * level**2))
    value = float(np.median(values))
    u = float(np.median(errors)) / math.sqrt(len(errors))
    return Quantity.of(value, u, "1", "number of px")
