"""From line positions to the division: robust fit, distortion, and the hierarchy of line lengths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import f as f_distribution

Array = npt.NDArray[np.float64]

CURVED_PROBABILITY = 1e-3
"""Chance at which a straight ruling is taken for a curved one (distortion); one in a thousand."""
MIN_LINES_CURVED = 12
"""Lines needed before a curve is fitted at all: it takes two more parameters."""


@dataclass(frozen=True)
class RulingFit:
    """Division in px at the reference point, with the standard error of the fit.

    `division` is the local spacing at `reference` (px along the axis from the photo's centre: the
    centre itself when the scale passes it). `mean_division` is the plain average over the scale.
    `curvature_allowance` is the part of a curve too weak to be fitted. `residuals` (px) belong to
    `used`, a mask over the lines given.
    """

    division: float
    error: float
    dof: int
    mean_division: float
    reference: float
    curved: bool
    curvature_allowance: float
    used: npt.NDArray[np.bool_]
    residuals: Array
    coefficients: Array


def fit_ruling(numbers: npt.NDArray[np.int64], positions: Array, errors: Array) -> RulingFit:
    """Fit position against line number by robust weighted least squares.

    `errors` are the positions' standard errors from pixel noise; the scatter about the fit decides
    what the result is worth. Lens distortion makes the spacing change along the scale: a cubic is
    used instead of a line when it is significant, and the division is then the local one nearest
    the photo's centre, as magnification is defined on the axis.
    """
    middle = float(np.mean(numbers))
    half = max(1.0, float(np.ptp(numbers)) / 2)
    x = (numbers - middle) / half
    rough = np.polyfit(x, positions, 1)
    reference_x = float(np.clip(-rough[1] / rough[0], -1, 1)) if rough[0] else 0.0
    straight = _weighted_fit(x, positions, errors, 1, reference_x)
    chosen, curved, allowance = straight, False, 0.0
    if len(numbers) >= MIN_LINES_CURVED:
        bent = _weighted_fit(x, positions, errors, 3, reference_x)
        better = _is_better(straight, bent)
        if better:
            chosen, curved = bent, True
        else:
            gap = (bent.slope - straight.slope) ** 2 - bent.error**2
            allowance = float(np.sqrt(max(0.0, gap)))
    return RulingFit(
        division=chosen.slope / half,
        error=chosen.error / half,
        dof=chosen.dof,
        mean_division=straight.slope / half,
        reference=float(np.polyval(chosen.coefficients, reference_x)),
        curved=curved,
        curvature_allowance=allowance / half,
        used=chosen.used,
        residuals=chosen.residuals,
        coefficients=chosen.coefficients,
    )


@dataclass(frozen=True)
class _Fit:
    slope: float
    error: float
    dof: int
    used: npt.NDArray[np.bool_]
    residuals: Array
    coefficients: Array
    misfit: float


def _weighted_fit(x: Array, y: Array, errors: Array, degree: int, at: float) -> _Fit:
    used = np.ones(len(x), dtype=bool)
    extra = 0.0
    design = np.vander(x, degree + 1)
    coefficients = np.zeros(degree + 1)
    for _ in range(8):
        root = 1 / np.sqrt(errors[used] ** 2 + extra**2)
        coefficients = np.linalg.lstsq(design[used] * root[:, None], y[used] * root, rcond=None)[0]
        residuals = y - design @ coefficients
        # Scatter beyond the pixel noise (ruling errors, compression) is alike for all lines.
        scatter = 1.4826 * float(np.median(np.abs(residuals[used])))
        typical = float(np.median(errors[used]))
        extra = float(np.sqrt(max(0.0, scatter**2 - typical**2)))
        limit = 4.0 * np.sqrt(errors**2 + max(extra, 0.3 * scatter) ** 2) + 1e-3
        new = np.abs(residuals) <= limit
        if new.sum() < max(4, degree + 2) or (new == used).all():
            break
        used = new
    weight = 1 / (errors[used] ** 2 + extra**2)
    dof = int(used.sum()) - degree - 1
    residuals = y - design @ coefficients
    misfit = float((weight * residuals[used] ** 2).sum())
    normal = (design[used] * weight[:, None]).T @ design[used]
    covariance = np.linalg.pinv(normal) * (misfit / max(1, dof))
    slope_row = np.array([k * at ** (k - 1) if k else 0.0 for k in range(degree, -1, -1)])
    return _Fit(
        slope=float(slope_row @ coefficients),
        error=float(np.sqrt(max(0.0, slope_row @ covariance @ slope_row))),
        dof=dof,
        used=used,
        residuals=residuals,
        coefficients=coefficients,
        misfit=misfit,
    )


def _is_better(straight: _Fit, bent: _Fit) -> bool:
    """F test of the cubic against the line, on the lines that both use."""
    both = straight.used & bent.used
    dof = int(both.sum()) - 4
    if dof < 4:
        return False
    before = float((straight.residuals[straight.used | bent.used] ** 2).sum())
    after = float((bent.residuals[straight.used | bent.used] ** 2).sum())
    if after <= 0:
        return before > 0
    ratio = ((before - after) / 2) / (after / dof)
    return float(f_distribution.sf(max(ratio, 0.0), 2, dof)) < CURVED_PROBABILITY


@dataclass(frozen=True)
class Hierarchy:
    """Which lines are longer: every `every`-th (0 when none stands out), starting at `first`.

    `longest_every` is the period of the longest among them (10 on a usual slide), 0 if unknown.
    """

    every: int
    first: int
    longest_every: int


def read_hierarchy(numbers: npt.NDArray[np.int64], lengths: Array) -> Hierarchy:
    """Find the pattern of longer lines in `lengths` (any unit; NaN where a line leaves the view)."""
    known = np.isfinite(lengths)
    if known.sum() < 5:
        return Hierarchy(0, 0, 0)
    short = float(np.percentile(lengths[known], 30))
    longer = known & (lengths > 1.15 * short + 1e-9)
    every, first = _regular(numbers, longer, known)
    if not every:
        return Hierarchy(0, 0, 0)
    members = known & ((numbers - first) % every == 0)
    level = float(np.median(lengths[members]))
    longest = members & (lengths > 1.12 * level)
    if not longest.any():
        longest = members & (lengths > 1.08 * float(lengths[members].min()))
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
