"""The division in the photo's middle from lines that a lens has bent: their shapes and places together.

Places along the ruling alone cannot tell a lens that distorts from a slide seen askew, the less the
farther the lines stand from the middle. A line's own bend can: perspective leaves it straight, a
lens bends it in proportion to its distance from the optical axis. So all parts of all lines are
fitted at once, and what a lens and a hand may do besides is fitted with them, held by its usual size
only: what the lines do not tell of it is then in the uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from glassay.fitting import chain_inflation, scatter
from glassay.scale.ruling import RulingFit

Array = npt.NDArray[Any]

USUAL_LEAN = 0.05
"""Standard deviation of the change of scale from the middle to the corner: slides seen askew were at
most twice that (`ruled.MAX_KEYSTONE`)."""
USUAL_SECOND = math.sqrt(3)
"""Standard deviation of q in r_d = r (1 + k r^2 + q k^2 r^4): 0 for a lens of third order told
forwards, 3 for one told backwards (r = r_d (1 - k r_d^2)), as far to the other side; rectangular
(JCGM 100:2008, 4.3.7)."""
USUAL_AXIS = 0.03
"""Standard deviation of the optical axis' distance from the photo's middle in each direction, in half
diagonals, where no round field tells more (common practice, no source: lenses are centred on sensors
to a few percent)."""
USUAL_THIRD = 12 / math.sqrt(3)
"""The same for the next term, p k^3 r^6: told backwards it is 12."""
SMOOTH, STRETCHES = 1e-4, 5
"""By how much (in half diagonals) real lenses depart from any such model, smoothly: calibrations of
cameras leave 0.1 to 0.3 px of half diagonals of 2500 (common practice, no source), and the lines of
a chamber behind an eyepiece, all over its field, 0.23 of 2313. A line's parts err alike over a fifth of
its length."""
STRONGEST = 0.3
"""Standard deviation of k before anything is measured: it only keeps the fit finite."""
PASSES = 5
FEWEST_PARTS, FEWEST_LINES = 30, 4
LEAST_FREEDOM = 4
BETWEEN_LINES = 4
"""Parameters that the lines' places determine, not their shapes: phase, division, lean, lens."""

LEAN_SEEN = 3.0
"""A lean is told when it is so many standard errors."""

# The fit's parameters, in this order.
PHASE, DIVISION, SLOPE, FAN, LEAN, K, Q, P, AXIS_S, AXIS_T = range(10)


@dataclass(frozen=True)
class Parts:
    """Where the parts of lines were seen: line `numbers`, `along` and `across` the axis (px from the
    view's middle) and standard `errors` from pixel noise, each (parts,); `slabs` tells which part of
    its line each is."""

    numbers: npt.NDArray[np.int64]
    slabs: npt.NDArray[np.int64]
    along: Array
    across: Array
    errors: Array


def fit_bent_ruling(
    parts: Parts, numbers: npt.NDArray[np.int64], middle: tuple[float, float], half_diagonal: float,
    stop: tuple[float, float] | None,
) -> RulingFit | None:  # fmt: skip
    """Fit all parts of the lines `numbers` at once; None where they are too few or say nothing.

    `middle` is the photo's middle along and across the axis (px from the view's middle), `stop` how
    far the middle of a round field lies from it, in the same directions, px.
    """
    chosen = np.isin(parts.numbers, numbers)
    if chosen.sum() < FEWEST_PARTS or len(numbers) < FEWEST_LINES:
        return None
    parts = Parts(*(getattr(parts, field.name)[chosen] for field in fields(Parts)))
    lens = _Lens(
        (parts.along - middle[0]) / half_diagonal, (parts.across - middle[1]) / half_diagonal,
        parts.numbers - float(np.mean(numbers)), half_diagonal,
    )  # fmt: skip
    off = 0.0 if stop is None else math.hypot(*stop) / half_diagonal
    try:
        p, covariance, weight, inflation = _solved(lens, parts, math.hypot(USUAL_AXIS, off))
    except np.linalg.LinAlgError:
        return None
    deviation = np.sqrt(np.maximum(np.diag(covariance), 0))
    step = 0.1 * deviation + 1e-12
    slope = np.array([
        (lens.division(p + d) - lens.division(p - d)) / (2 * h)
        for h, d in zip(step, np.diag(step), strict=True)
    ])  # fmt: skip
    farthest = float((lens.along**2 + lens.across**2).max())
    bend = np.zeros(len(p))
    bend[K], bend[Q] = 1 + 2 * p[Q] * p[K] * farthest, p[K] ** 2 * farthest
    rest = lens.residuals(p)
    each = np.array([
        np.average(rest[mine], weights=weight[mine] ** 2)
        for mine in (parts.numbers == one for one in numbers)
    ])  # fmt: skip
    return RulingFit(
        division=lens.division(p),
        error=math.sqrt(max(float(slope @ covariance @ slope), 0.0)),
        dof=max(LEAST_FREEDOM, int(len(rest) / inflation) - len(p)),
        mean_division=float(np.polyfit(lens.count, lens.along, 1)[0]) * half_diagonal,
        curved=True,
        distortion=float(p[K]),
        distortion_error=math.sqrt(max(float(bend @ covariance @ bend), 0.0)),
        keystone=-2 * float(p[LEAN]) if abs(p[LEAN]) > LEAN_SEEN * deviation[LEAN] else 0.0,
        distortion_allowance=0.0,
        used=np.abs(each) <= 4 * max(scatter(each), 0.01),
        residuals=each,
        distortion_2=float(p[Q] * p[K] ** 2),
        from_bends=True,
    )


def _solved(lens: _Lens, parts: Parts, usual_axis: float) -> tuple[Array, Array, Array, float]:
    """The parameters, their covariance, the parts' weights, and by how much their errors' running
    together has raised the variance. Raises numpy's LinAlgError where nothing fixes them."""
    usual = np.array([USUAL_LEAN / 2, USUAL_LEAN / 2, STRONGEST, USUAL_SECOND, USUAL_THIRD,
                      usual_axis, usual_axis])  # fmt: skip
    division, phase = np.polyfit(lens.count, lens.along * lens.half_diagonal, 1)
    if not division > 0:  # what was taken for lines does not even stand in its order
        raise np.linalg.LinAlgError("no order of lines")
    p = np.array([phase, division, *[0.0] * (1 + len(usual))])
    sizes = np.array([division, division, 0.01, *usual])
    noise = np.maximum(parts.errors, 1e-4)
    line = parts.numbers - parts.numbers.min()
    alike = np.sqrt(np.maximum(np.bincount(line)[line] / STRETCHES, 1.0))
    smooth = SMOOTH * lens.half_diagonal * alike
    weight, inflation = 1 / np.hypot(noise, smooth), 1.0
    jacobian = np.eye(len(p))
    for _ in range(PASSES):
        solution = least_squares(
            _misfit, p, _slopes, x_scale=sizes, max_nfev=60, args=(lens, weight, usual)
        )
        p, jacobian = solution.x, solution.jac
        rest = lens.residuals(p)
        wide = max(scatter(rest / noise), 1.0)
        near = np.abs(rest) <= 4 * wide * noise + 0.01
        inflation = _inflation(rest[near], parts.numbers[near], parts.slabs[near])
        error = np.hypot(wide * math.sqrt(inflation) * noise, smooth)
        weight = np.where(near, 1.0, 0.05) / error
    return p, np.linalg.inv(jacobian.T @ jacobian), weight, inflation


def _misfit(p: Array, lens: _Lens, weight: Array, usual: Array) -> Array:
    """Residuals of the parts, and of what is usual, in standard deviations."""
    return np.concatenate([lens.residuals(p) * weight, p[FAN:] / usual])


def _slopes(p: Array, lens: _Lens, weight: Array, usual: Array) -> Array:
    """How they change with each parameter."""
    rest = np.zeros((len(usual), len(p)))
    rest[:, FAN:] = np.diag(1 / usual)
    return np.concatenate([lens.slopes(p) * weight[:, None], rest])


@dataclass(frozen=True)
class _Lens:
    """Parts at `along`, `across` (half diagonals from the photo's middle) of lines `count`."""

    along: Array
    across: Array
    count: Array
    half_diagonal: float

    def flat(self, p: Array, along: Array, across: Array) -> Array:
        """Where places would stand along the ruling without lens and perspective, px."""
        s, t = along - p[AXIS_S], across - p[AXIS_T]
        radius = np.hypot(s, t)
        share = _shrunk(radius**2, p[K], p[Q], p[P])
        s, t = s * share + p[AXIS_S], t * share + p[AXIS_T]
        plane = s * (1 - p[LEAN] * s - p[FAN] * t) - p[SLOPE] * t
        return np.asarray(self.half_diagonal * plane)

    def slopes(self, p: Array) -> Array:
        """How the residuals change with each parameter (parts, parameters)."""
        s, t = self.along - p[AXIS_S], self.across - p[AXIS_T]
        square = s**2 + t**2
        share = _shrunk(square, p[K], p[Q], p[P])
        u = p[K] * square * share**2
        # of share (1 + u + q u^2 + p u^3) = 1, which holds whatever is changed
        with_share = 1 + 3 * u + 5 * p[Q] * u**2 + 7 * p[P] * u**3
        with_u = share * (1 + 2 * p[Q] * u + 3 * p[P] * u**2)
        by_square = -with_u * p[K] * share**2 / with_share
        ideal_s, ideal_t = s * share + p[AXIS_S], t * share + p[AXIS_T]
        by_s = 1 - 2 * p[LEAN] * ideal_s - p[FAN] * ideal_t
        by_t = -p[FAN] * ideal_s - p[SLOPE]
        by_share = by_s * s + by_t * t
        out = np.zeros((len(s), len(p)))
        out[:, SLOPE], out[:, FAN], out[:, LEAN] = -ideal_t, -ideal_s * ideal_t, -(ideal_s**2)
        out[:, K] = by_share * -with_u * square * share**2 / with_share
        out[:, Q] = by_share * -share * u**2 / with_share
        out[:, P] = by_share * -share * u**3 / with_share
        out[:, AXIS_S] = by_s * (1 - share) - 2 * s * by_share * by_square
        out[:, AXIS_T] = by_t * (1 - share) - 2 * t * by_share * by_square
        out *= self.half_diagonal
        out[:, PHASE], out[:, DIVISION] = -1.0, -self.count
        return out

    def residuals(self, p: Array) -> Array:
        """How far (px) each part is from where its line should be."""
        even = p[PHASE] + p[DIVISION] * self.count
        return np.asarray(self.flat(p, self.along, self.across) - even)

    def division(self, p: Array) -> float:
        """px from line to line as seen in the photo's middle."""
        step = 0.5 / self.half_diagonal
        ends = self.flat(p, np.array([-step, step]), np.zeros(2))
        return float(p[DIVISION] / (ends[1] - ends[0]))


def _shrunk(square: Array, k: float, q: float, p: float) -> Array:
    """r / r_d of r_d = r (1 + k r^2 + q k^2 r^4 + p k^3 r^6) for squared r_d, by Newton's iteration."""
    share = np.ones_like(square)
    for _ in range(12):
        u = k * square * share**2
        value = share * (1 + u + q * u**2 + p * u**3) - 1
        slope = np.maximum(1 + 3 * u + 5 * q * u**2 + 7 * p * u**3, 0.2)
        step = np.clip(value / slope, -0.2, 0.2)
        share = share - step
        if float(np.abs(step).max(initial=0.0)) < 1e-10:
            break
    return np.asarray(share)


def _inflation(rest: Array, lines: npt.NDArray[np.int64], slabs: npt.NDArray[np.int64]) -> float:
    """By how much parts that err together raise the variance: neighbours along a line and from line to
    line (`chain_inflation`), or all parts of a line that is ruled beside its place (Moulton 1986)."""
    variance = float((rest**2).mean()) if len(rest) else 0.0
    if len(rest) < 8 or variance <= 0:
        return 1.0
    chained = 1.0
    for first, second in ((lines, slabs), (slabs, lines)):
        order = np.lexsort((second, first))
        a, same = rest[order], np.diff(first[order]) == 0
        pairs = int(same.sum())
        if pairs >= 8:
            together = float((a[1:] * a[:-1])[same].sum()) / pairs / variance
            chained *= chain_inflation(together, pairs)
    index = lines - lines.min()
    held = np.bincount(index)
    sums = np.bincount(index, rest)[held > 0]
    free = max(len(sums) - BETWEEN_LINES, 1)
    between = float((sums**2 / held[held > 0]).sum()) / free
    return max(chained, between / variance - math.sqrt(2 / free))
