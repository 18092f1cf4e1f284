"""From line positions to the division: robust fit, distortion, and the hierarchy of line lengths."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import fdtrc

from glassay.distortion import HIGHER_ORDER_PASSES, USUAL_DISTORTION, higher_orders, posterior
from glassay.fitting import CHANCE, chain_inflation, scatter

Array = npt.NDArray[Any]

MIN_FREEDOM = 4
"""Degrees of freedom that must be left when the distortion is fitted."""


@dataclass(frozen=True)
class RulingFit:
    """Division in px on the optical axis, with the standard error of the fit.

    The axis is taken to be the middle of the photo. `mean_division` is the plain average over the
    scale. `distortion` is the fitted radial coefficient k (0 when not `curved`; what it makes at the
    picture's corner is `at_picture_corner`) and `distortion_error` what is not known of it,
    `keystone` the fitted change of the spacing from the middle to the corner (relative),
    `distortion_allowance` (px) what an unseen distortion may add. `residuals` (px) belong to
    all lines given, `used` marks those that the fit rests on. `from_bends`: the lines' bends were
    fitted too (`bent_ruling`), so that `error` holds what a lens may do, and `distortion_2` is the
    coefficient of the radius' fourth power.
    """

    division: float
    error: float
    dof: int
    mean_division: float
    curved: bool
    distortion: float
    distortion_error: float
    keystone: float
    distortion_allowance: float
    used: npt.NDArray[np.bool_]
    residuals: Array
    distortion_2: float = 0.0
    from_bends: bool = False


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

    Model: s = S (1 + k r^2) with S = phase + division * n, r the undistorted radius in units of half
    the photo's diagonal: radial distortion about the photo's middle, negative for barrel (the radial
    term of Brown 1966). It is fitted in its inverse form (see `higher_orders`). A camera that
    does not look squarely at the slide adds a term in S^2 (keystone). Without
    either the fit is a straight line. Each is used when an F test says so; otherwise the posterior
    spread of k, given the data and `USUAL_DISTORTION`, becomes an allowance.
    """
    scale = max(1.0, float(np.ptp(numbers)) / 2)
    x = (numbers - float(np.mean(numbers))) / scale
    even = [x, np.ones_like(x)]
    bend = _bend(positions, across_square_px2, half_diagonal_px)
    # Its slope vanishes at the photo's middle, so that the division stays the local one there.
    keystone = positions**2 / half_diagonal_px
    straight = _weighted_fit(np.column_stack(even), positions, errors)
    square = (positions**2 + across_square_px2) / half_diagonal_px**2
    bent = _weighted_fit(np.column_stack([*even, bend]), positions, errors)
    leaning = _weighted_fit(np.column_stack([*even, keystone]), positions, errors)
    both = _weighted_fit(np.column_stack([*even, bend, keystone]), positions, errors)
    chosen, curved, leans = _choose(straight, bent, leaning, both)
    if curved:
        design = np.column_stack([*even, bend, keystone] if leans else [*even, bend])
        for _ in range(HIGHER_ORDER_PASSES):
            higher = higher_orders(float(chosen.solution[2]), square)
            chosen = _weighted_fit(design, positions * (1 + higher), errors)
    allowance, distortion_error = 0.0, float(chosen.errors[2]) if curved else 0.0
    if not curved:
        distortion_error = _posterior_distortion(both if leans else bent)
        allowance = abs(_slope(x, bend, straight.weight)) * distortion_error / scale
    return RulingFit(
        division=float(chosen.solution[0]) / scale,
        error=float(chosen.errors[0]) / scale,
        dof=chosen.dof,
        mean_division=float(straight.solution[0]) / scale,
        curved=curved,
        distortion=float(chosen.solution[2]) if curved else 0.0,
        distortion_error=distortion_error,
        keystone=2 * float(chosen.solution[-1]) if leans else 0.0,
        distortion_allowance=allowance,
        used=chosen.used,
        residuals=chosen.residuals,
    )


def _choose(straight: _Fit, bent: _Fit, leaning: _Fit, both: _Fit) -> tuple[_Fit, bool, bool]:
    """The simplest model that no larger one betters: the fit, whether curved, whether leaning."""
    one = min((bent, leaning), key=lambda fit: fit.misfit)
    if not _is_better(straight, one):
        # A slide that leans may hide a distortion from a fit of either alone.
        return (both, True, True) if _is_better(straight, both, 2) else (straight, False, False)
    if _is_better(one, both):
        return both, True, True
    return one, one is bent, one is leaning


def _posterior_distortion(fit: _Fit) -> float:
    """Root mean square of the distortion (at the corner), given the data and what is usual."""
    k, k_error = float(fit.solution[2]), float(fit.errors[2])
    if fit.dof < MIN_FREEDOM or not math.isfinite(k_error):
        return USUAL_DISTORTION
    return posterior(k, k_error)


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
    misfit: float


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
        wide = scatter(residuals[used])
        typical = float(np.median(errors[used]))
        extra = float(np.sqrt(max(0.0, wide**2 - typical**2)))
        limit = 4.0 * np.sqrt(errors**2 + max(extra, 0.3 * wide) ** 2) + 1e-3
        new = np.abs(residuals) <= limit
        if new.sum() < max(4, parameters + 1) or (new == used).all():
            break
        used = new
    weight = np.where(used, 1 / (errors**2 + extra**2), 0.0)
    dof = int(used.sum()) - parameters
    misfit = float((weight * residuals**2).sum()) * _inflation(residuals[used])
    covariance = np.linalg.pinv((design * weight[:, None]).T @ design) * (misfit / max(1, dof))
    return _Fit(
        solution, np.sqrt(np.maximum(np.diag(covariance), 0)), dof, used, residuals, weight,
        float(np.median(np.abs(residuals))),
    )  # fmt: skip


def _inflation(residuals: Array) -> float:
    """By how much neighbouring lines that err together raise the variance of a fit; compression and
    ruling machines make such errors."""
    square = float((residuals**2).sum())
    if len(residuals) < 8 or square <= 0:
        return 1.0
    return chain_inflation(float((residuals[1:] * residuals[:-1]).sum()) / square, len(residuals))


def _is_better(straight: _Fit, bent: _Fit, more: int = 1) -> bool:
    """F test of the fit with `more` parameters against the other, on the lines that either uses."""
    either = straight.used | bent.used
    dof = int(either.sum()) - len(bent.solution)
    if dof < MIN_FREEDOM:
        return False
    weight = np.maximum(straight.weight, bent.weight)[either]
    before = float((weight * straight.residuals[either] ** 2).sum())
    after = float((weight * bent.residuals[either] ** 2).sum())
    if after <= 0:
        return before > 0
    ratio = (before - after) / more / (after / dof) / _inflation(bent.residuals[either])
    return float(fdtrc(more, dof, max(ratio, 0.0))) < CHANCE
