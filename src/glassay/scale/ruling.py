"""From line positions to the division: robust fit, distortion, and the hierarchy of line lengths."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import f as f_distribution

Array = npt.NDArray[Any]

CURVED_PROBABILITY = 1e-3
"""Chance at which an even ruling is taken for a distorted one; one in a thousand."""
USUAL_DISTORTION = 0.005
"""Standard deviation of the radial distortion at the corner of the picture expected of a microscope
before anything is measured: half a percent (common practice, no source). It enters the uncertainty
where the scale is too short to show the distortion itself."""
MIN_FREEDOM = 4
"""Degrees of freedom that must be left when the distortion is fitted."""


@dataclass(frozen=True)
class RulingFit:
    """Division in px on the optical axis, with the standard error of the fit.

    The axis is taken to be the middle of the photo. `mean_division` is the plain average over the
    scale. `distortion` is the fitted radial distortion at the corner (relative; 0 when not
    `curved`), `distortion_allowance` (px) what an unseen one may add. `residuals` (px) belong to
    all lines given, `used` marks those that the fit rests on.
    """

    division: float
    error: float
    dof: int
    mean_division: float
    curved: bool
    distortion: float
    distortion_allowance: float
    used: npt.NDArray[np.bool_]
    residuals: Array


def fit_ruling(
    numbers: npt.NDArray[np.int64],
    positions: Array,
    errors: Array,
    across_square_px2: Array,
    half_diagonal_px: float,
) -> RulingFit:
    """Fit position against line number by robust weighted least squares.

    `positions` are px along the axis of the scale from the foot of the perpendicular dropped on it
    from the photo's middle; `across_square_px2` is the mean square distance, across the axis, of the
    pixels that each rests on from that middle; `errors` are standard errors from pixel noise alone.
    The scatter about the fit decides what the result is worth.

    Model: s = S (1 + k (S^2 + across_square) / R^2) with S = phase + division * n, R half the photo's
    diagonal: third-order radial distortion about the photo's middle (the radial term of Brown
    1966). Without distortion, k = 0, the fit is a straight line. k is used when an F test says so;
    otherwise its posterior spread, given the data and `USUAL_DISTORTION`, becomes an allowance.
    """
    scale = max(1.0, float(np.ptp(numbers)) / 2)
    x = (numbers - float(np.mean(numbers))) / scale
    ones = np.ones_like(x)
    straight = _weighted_fit(np.column_stack([x, ones]), positions, errors)
    bend = _bend(positions, across_square_px2, half_diagonal_px)
    straight_of_bend = _slope(x, bend, straight.weight)
    bent = _weighted_fit(np.column_stack([x, ones, bend]), positions, errors)
    curved = _is_better(straight, bent)
    chosen = bent if curved else straight
    allowance = 0.0
    if not curved:
        k, k_error = float(bent.solution[2]), float(bent.errors[2])
        if bent.dof < MIN_FREEDOM or not np.isfinite(k_error):
            k, k_error = 0.0, np.inf
        trust = USUAL_DISTORTION**2 / (USUAL_DISTORTION**2 + k_error**2)
        posterior = (
            np.sqrt((trust * k) ** 2 + trust * min(k_error, 1.0) ** 2)
            if trust
            else (USUAL_DISTORTION)
        )
        allowance = abs(straight_of_bend) * float(posterior) / scale
    return RulingFit(
        division=float(chosen.solution[0]) / scale,
        error=float(chosen.errors[0]) / scale,
        dof=chosen.dof,
        mean_division=float(straight.solution[0]) / scale,
        curved=curved,
        distortion=float(bent.solution[2]) if curved else 0.0,
        distortion_allowance=allowance,
        used=chosen.used,
        residuals=chosen.residuals,
    )


def _bend(positions: Array, across_square_px2: Array, half_diagonal_px: float) -> Array:
    """Displacement along the scale (px) for a distortion of 1 at the corner of the picture."""
    return np.asarray(positions * (positions**2 + across_square_px2) / half_diagonal_px**2)


def _slope(x: Array, y: Array, weight: Array) -> float:
    mean_x, mean_y = np.average(x, weights=weight), np.average(y, weights=weight)
    spread = (weight * (x - mean_x) ** 2).sum()
    return float((weight * (x - mean_x) * (y - mean_y)).sum() / spread)


@dataclass(frozen=True)
class _Fit:
    solution: Array
    errors: Array
    dof: int
    used: npt.NDArray[np.bool_]
    residuals: Array
    weight: Array


def _weighted_fit(design: Array, y: Array, errors: Array) -> _Fit:
    parameters = design.shape[1]
    used = np.ones(len(y), dtype=bool)
    extra = 0.0
    solution: Array = np.zeros(parameters)
    residuals: Array = np.zeros_like(y)
    for _ in range(8):
        root = 1 / np.sqrt(errors[used] ** 2 + extra**2)
        solution = np.linalg.lstsq(design[used] * root[:, None], y[used] * root, rcond=None)[0]
        residuals = y - design @ solution
        # Scatter beyond the pixel noise (ruling errors, compression) is alike for all lines.
        scatter = 1.4826 * float(np.median(np.abs(residuals[used])))
        typical = float(np.median(errors[used]))
        extra = float(np.sqrt(max(0.0, scatter**2 - typical**2)))
        limit = 4.0 * np.sqrt(errors**2 + max(extra, 0.3 * scatter) ** 2) + 1e-3
        new = np.abs(residuals) <= limit
        if new.sum() < max(4, parameters + 1) or (new == used).all():
            break
        used = new
    weight = np.where(used, 1 / (errors**2 + extra**2), 0.0)
    dof = int(used.sum()) - parameters
    misfit = float((weight * residuals**2).sum()) * _inflation(residuals[used])
    covariance = np.linalg.pinv((design * weight[:, None]).T @ design) * (misfit / max(1, dof))
    return _Fit(solution, np.sqrt(np.maximum(np.diag(covariance), 0)), dof, used, residuals, weight)


def _inflation(residuals: Array) -> float:
    """By how much neighbouring lines that err together raise the variance of a fit.

    (1 + r) / (1 - r) for first-order autocorrelation r (Bartlett 1935). Compression and ruling
    machines make such errors. An r that chance gives to independent residuals counts for nothing.
    """
    square = float((residuals**2).sum())
    if len(residuals) < 8 or square <= 0:
        return 1.0
    r = float((residuals[1:] * residuals[:-1]).sum()) / square - 1 / math.sqrt(len(residuals))
    return (1 + r) / (1 - r) if r > 0 else 1.0


def _is_better(straight: _Fit, bent: _Fit) -> bool:
    """F test of the distorted fit against the even one, on the lines that either uses."""
    either = straight.used | bent.used
    dof = int(either.sum()) - 3
    if dof < MIN_FREEDOM:
        return False
    weight = np.maximum(straight.weight, bent.weight)[either]
    before = float((weight * straight.residuals[either] ** 2).sum())
    after = float((weight * bent.residuals[either] ** 2).sum())
    if after <= 0:
        return before > 0
    ratio = (before - after) / (after / dof) / _inflation(bent.residuals[either])
    return float(f_distribution.sf(max(ratio, 0.0), 1, dof)) < CURVED_PROBABILITY


@dataclass(frozen=True)
class Hierarchy:
    """Which lines are longer: every `every`-th (0 when none stands out), starting at `first`.

    `longest_every` is the period of the longest among them (10 on a usual slide), 0 if unknown.
    """

    every: int
    first: int
    longest_every: int


def read_hierarchy(numbers: npt.NDArray[np.int64], lengths: Array) -> Hierarchy:
    """Find the pattern of longer lines in `lengths` (NaN where a line leaves the view)."""
    known = np.isfinite(lengths)
    if known.sum() < 5:
        return Hierarchy(0, 0, 0)
    short = float(np.percentile(lengths[known], 30))
    longer = known & (lengths > 1.15 * short + 1e-9)
    every, first = _regular(numbers, longer, known)
    if not every:
        return Hierarchy(0, 0, 0)
    members = known & ((numbers - first) % every == 0)
    low, high = float(lengths[members].min()), float(lengths[members].max())
    if high < 1.15 * low:
        return Hierarchy(every, first, 0)
    longest = members & (lengths > (low + high) / 2)
    multiples = (2 * every, 4 * every, 5 * every, 10 * every)
    longest_every, _ = _regular(numbers, longest, known & members, multiples)
    return Hierarchy(every, first, longest_every)


def _regular(
    numbers: npt.NDArray[np.int64],
    chosen: npt.NDArray[np.bool_],
    known: npt.NDArray[np.bool_],
    periods: tuple[int, ...] = (2, 4, 5, 10, 20, 25, 50),
) -> tuple[int, int]:
    """The period and start of a pattern that predicts nearly all of `chosen` and little else."""
    marks = numbers[chosen]
    if len(marks) < 2:
        return 0, 0
    for every in periods:
        first = int(np.bincount(marks % every, minlength=every).argmax())
        predicted = known & ((numbers - first) % every == 0)
        hit = (predicted & chosen).sum()
        if predicted.sum() >= 2 and hit >= 0.8 * predicted.sum() and hit >= 0.8 * chosen.sum():
            return every, first
    return 0, 0
