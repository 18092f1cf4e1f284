"""Fits that leave out what stands off, and the small arithmetic that many measurements share."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.special import fdtrc

Array = npt.NDArray[Any]
Flags = npt.NDArray[np.bool_]

SIGMA_OF_MAD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation: 1 over the normal
quantile of 3/4, 0.6745 (Rousseeuw and Croux 1993)."""

CHANCE = 1e-3
"""Chance at which a further term of a model (F test), or a frequency, is taken for real when it is
not."""


PATCHES = (3, 4, 6, 8, 12)
"""Patches along each side of a grid in which residuals are looked at for erring together."""


def scatter(residuals: Array) -> float:
    """Standard deviation of values about zero, by their median size: few large ones do not count."""
    return SIGMA_OF_MAD * float(np.median(np.abs(residuals)))


def spread(values: Array) -> float:
    """Standard deviation of values about their median, by the median absolute deviation."""
    return scatter(values - np.median(values))


def chain_inflation(correlation: float, count: int) -> float:
    """By how much neighbours that err together raise the variance of a fit, 1 or more.

    (1 + r) / (1 - r) for first-order autocorrelation r (Bartlett 1935), r being what is left beyond
    one standard error, 1 / root of `count`, of the r that chance gives to independent residuals.
    """
    r = min(correlation - 1 / math.sqrt(max(count, 1)), 0.9)
    return (1 + r) / (1 - r) if r > 0 else 1.0


def patch_inflation(residuals: Array, places: Array, parameters: int) -> float:
    """By how much neighbours in a plane that err together raise the variance of a fit, 1 or more.

    `residuals` (n,) or (n, components) of a fit of smooth functions with so many `parameters` (for
    each component), at `places` (n, 2). Means over the patches of a grid scatter by the residuals'
    variance over their number if those are independent; how much more they do, beyond one standard
    error of that, is the factor for values that err together over such a patch (Moulton 1986). The
    patches that show most of it count.
    """
    rest = residuals.reshape(residuals.shape[0], -1)
    variance = float((rest**2).mean())
    size = np.maximum(np.ptp(places, axis=0), 1e-9)
    worst = 1.0
    for count in PATCHES:
        if rest.shape[0] < 4 * count * count or variance <= 0:
            break
        column, row = (
            np.minimum((places - places.min(axis=0)) / size * count, count - 1e-9).astype(int).T
        )
        patch = row * count + column
        held = np.bincount(patch, minlength=count * count)
        sums = np.stack([np.bincount(patch, part, count * count) for part in rest.T], axis=1)
        free = int((held > 0).sum()) - parameters
        if free < 3:
            continue
        between = float((sums**2 / np.maximum(held, 1)[:, None]).sum() / rest.shape[1]) / free
        worst = max(worst, between / variance - math.sqrt(2 / (free * rest.shape[1])))
    return worst


@dataclass(frozen=True)
class Trimmed:
    """A least squares fit: solution, covariance, which groups it rests on, rms of their residuals
    with the freedom taken out, all residuals."""

    solution: npt.NDArray[np.float64]
    covariance: npt.NDArray[np.float64]
    kept: Flags
    rms: float
    freedom: int
    residuals: npt.NDArray[np.float64]


def trimmed_fit(
    design: Array, target: Array, *, limit: Callable[[Array], float], each: int = 1, passes: int = 8
) -> Trimmed:
    """Least squares of `target` by `design`, with what lies beyond a limit left out, repeatedly.

    `each` residuals belong together and are kept or dropped by their length: with 2, the target holds
    all x, then all y, of points. `limit` takes the kept ones' lengths and returns the largest that
    stays. Raises numpy's LinAlgError for values that are not finite.
    """
    kept = np.ones(target.size // each, dtype=np.bool_)
    solution = np.zeros(design.shape[1])
    rest = np.asarray(target, dtype=np.float64)
    for _ in range(passes):
        if each * int(kept.sum()) <= design.shape[1]:
            break
        rows = np.tile(kept, each)
        solution = np.asarray(np.linalg.lstsq(design[rows], target[rows], rcond=None)[0])
        rest = np.asarray(target - design @ solution)
        away = np.sqrt((rest.reshape(each, -1) ** 2).sum(axis=0))
        again = away <= limit(away[kept])
        if bool((again == kept).all()):
            break
        kept = again
    rows = np.tile(kept, each)
    freedom = max(1, int(rows.sum()) - design.shape[1])
    variance = float((rest[rows] ** 2).sum()) / freedom
    covariance = np.linalg.pinv(design[rows].T @ design[rows]) * variance
    return Trimmed(solution, covariance, kept, math.sqrt(variance), freedom, rest)


def is_better(before: float, after: float, freedom: float, more: int = 1) -> bool:
    """F test of a fit with `more` parameters: square sums of both on the same values, freedom of the
    larger fit. True where chance would gain as much less than once in a thousand (`CHANCE`)."""
    if after <= 0:
        return before > 0
    ratio = (before - after) / more / (after / freedom)
    return float(fdtrc(more, freedom, max(ratio, 0.0))) < CHANCE


def vertex(before: float, at: float, after: float) -> float:
    """Where the parabola through three equally spaced values turns, from the middle one, in steps.

    0 where they bend the wrong way for a peak or not at all; within half a step otherwise.
    """
    bend = before - 2 * at + after
    if not bend < 0:
        return 0.0
    return float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))


def crossing(one: tuple[Array, Array], other: tuple[Array, Array]) -> Array:
    """Where two straight lines in a plane meet, each a point (2,) and a direction (2,). Raises
    `numpy.linalg.LinAlgError` for parallel ones."""
    (point, direction), (start, way) = one, other
    t = np.linalg.solve(np.stack([direction, -way], axis=1), start - point)
    return np.asarray(point + t[0] * direction)


def block_mean(picture: Array, factor: int) -> npt.NDArray[np.float32]:
    """Means of blocks of `factor` x `factor` px from the top left; px that fill no block are left
    out. (height, width) or (height, width, channels)."""
    if factor <= 1:
        return np.asarray(picture, dtype=np.float32)
    height, width = picture.shape[0] // factor, picture.shape[1] // factor
    whole = picture[: height * factor, : width * factor]
    # OpenCV's area average of whole blocks is their mean, and an order faster than NumPy's
    small = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float32)
