"""A family of responses that photographs have, and the posterior of its parameters.

Where an object has no clean edge, the response is known at few frequencies only, and each mixed with
something that is not known (the width of a line). Then a family with few parameters is fitted:

    M(f) = D(f / fc, W) exp(-2 pi^2 s^2 f^2) sinc(f) (1 + A (1 - exp(-2 pi^2 r^2 f^2)))

the incoherent transfer D of a circular pupil with cut-off fc and W waves of defocus (Hopkins 1955), a
Gaussian for all else that blurs, the pixel's aperture, and an unsharp mask of radius r and amount A (a
for usual ones, see `AMOUNT_TAIL`).
Frequencies in cycles/px, lengths in px. What the data do not tell of the parameters is carried into
the result: an ensemble of them is drawn from the posterior (Goodman and Weare 2010, by emcee).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from glassay.detail.lens_table import MOST_WAVES, looked_up
from glassay.errors import NotMeasurable

Float = npt.NDArray[np.float64]

NAMES = ("ln fc", "W", "ln s", "a", "ln r")
PRIOR_MIDDLE = np.array([np.log(0.6), 0.0, np.log(0.3), 0.0, np.log(1.0)])
PRIOR_WIDTH = np.array([0.9, 0.3, 1.0, 0.4, 0.4])
"""Middle and standard deviation of the parameters before anything is measured (half-normal for W and
a, which are not negative). Cameras are built with cut-offs from a quarter of to twice Nyquist's 0.5
cycles/px and beyond; a quarter wave is Rayleigh's limit of good focus; firmware sharpens by 0 to 0.8
with radii of 0.6 to 1.5 px (common practice, no source). Doubling every width moves the results of
the study by less than their standard uncertainty."""

AMOUNT_TAIL = 1.2
"""The amount of the unsharp mask is w sinh(1.2 a / w) / 1.2, w its prior's width: one camera in
twenty sharpens by more than 1.8, one in eighty by more than 3.3 (cheap ones do: common practice, no
source)."""

FREQUENCY = np.linspace(0.0, 1.0, 129)
"""Grid on which responses are computed, cycles/px."""

_PIXEL = np.sinc(FREQUENCY)
PROCESSING_SHARE = 0.01
"""Relative standard uncertainty of the result for an unknown tone curve and firmware."""
WALKERS, STEPS, BURN_IN = 96, 240, 80
"""Enough for a standard error of the median below a tenth of the posterior's width (study)."""
FARTHEST = 6.0
"""Prior standard deviations from the middle beyond which parameters are not sought."""
SLOPE_STEP, CURVATURE_STEP = 1e-3, 0.02
"""Shares of each prior's width over which slopes and curvatures are taken, on either side."""
CLIMB_STEPS, CLOSE = 40, 1e-4
"""Most steps to a summit, and the gain in the logarithm below which it counts as reached."""
DAMPINGS = np.concatenate([[0.0], np.logspace(-1, 5, 13)])
"""Added to curvatures, which keeps a step short."""
FAR_BELOW = 1e12
"""Stands for minus the logarithm where nothing is possible."""
LEAST_CURVATURE = 0.5
"""Curvature, in prior widths, below which a summit is taken as no flatter: the prior's alone is 1."""
PRIOR_ROWS, STARTS, APART = 2000, 6, 0.7
"""Rows drawn from the prior, the number of them from which summits are sought, and by how many prior
widths these differ in one parameter at least."""
LOWER, SAME = 8.0, 0.05
"""Logarithm of the density below the highest summit from which one holds next to nothing; and prior
widths within which two are one."""
SETTLE_TURNS = 10
"""How often walkers that would begin where nothing is possible are put elsewhere."""
SLOPE_SHARE = 0.3
"""Share of a standard deviation over which a place's slope along the posterior is taken."""


def modulation(parameters: Float, frequency: Float = FREQUENCY) -> Float:
    """Responses, shape (n, frequencies), of n rows of `NAMES`, at `frequency` (cycles/px)."""
    fc, waves, s, a, r = (column[:, None] for column in np.atleast_2d(parameters).T)
    fc, s, r, a = np.exp(fc), np.exp(s), np.exp(r), _amount(a)
    lens = looked_up(frequency / fc, waves)
    square = -2 * np.pi**2 * frequency**2
    pixel = _PIXEL if frequency is FREQUENCY else np.sinc(frequency)
    blur = np.exp(square * s**2) * pixel
    return np.asarray(lens * blur * (1 + a * (1 - np.exp(square * r**2))))


def _amount(a: Float) -> Float:
    """Amount of the unsharp mask: a itself where that is usual, far more where data ask for it."""
    tail = AMOUNT_TAIL / PRIOR_WIDTH[3]
    return np.asarray(np.sinh(np.clip(tail * a, -20, 20)) / tail)


@dataclass(frozen=True)
class Posterior:
    """Draws from the posterior: `parameters` (n, 5 + more), responses (n, frequencies)."""

    parameters: Float
    curves: Float
    misfit: float
    """Sum of the squared, weighted residuals of the best draw, over the number of data."""

    @property
    def middle(self) -> Float:
        """The median of each parameter, (1, 5 + more): where to climb from for much the same data."""
        return np.asarray(np.median(self.parameters, axis=0, keepdims=True))

    def frequency_at(self, level: float) -> Float:
        """Where each draw first falls to `level`, cycles/px; NaN where it does not below 1."""
        return _first_at(self.curves, level)


def _first_at(curves: Float, level: float) -> Float:
    below = curves < level
    found = below.any(axis=1)
    i = np.maximum(np.argmax(below, axis=1), 1)
    rows = np.arange(len(i))
    high, low = curves[rows, i - 1], curves[rows, i]
    share = (high - level) / np.maximum(high - low, 1e-12)
    step = FREQUENCY[1] - FREQUENCY[0]
    return np.asarray(np.where(found, FREQUENCY[i - 1] + share * step, np.nan))


Misfit = Callable[[Float, Float], Float]
"""Given n responses on `FREQUENCY` and n rows of further parameters: the n sums of squared residuals
over their standard uncertainties; inf where a row is impossible."""


class Told(NamedTuple):
    """What data say of a response: their `misfit` and number, and the middles and standard deviations
    of the normal priors of further parameters of their own."""

    misfit: Misfit
    data: int
    middle: Float = np.zeros(0)
    width: Float = np.zeros(0)
    waves: float = PRIOR_WIDTH[1]
    """Standard deviation of the defocus before anything is measured."""


@dataclass(frozen=True)
class _Density:
    """Logarithm of the posterior's density; further parameters have normal priors."""

    misfit: Misfit
    middle: Float
    width: Float

    @classmethod
    def of(cls, told: Told) -> _Density:
        middle = np.concatenate([PRIOR_MIDDLE, told.middle])
        width = np.concatenate([PRIOR_WIDTH, told.width])
        width[1] = told.waves
        return cls(told.misfit, middle, width)

    def __call__(self, rows: Float) -> Float:
        possible = (rows[:, 1] >= 0) & (rows[:, 1] <= MOST_WAVES) & (rows[:, 3] >= 0)
        prior = ((rows - self.middle) ** 2 / self.width**2).sum(axis=1)
        inside = np.where(possible[:, None], rows, self.middle)
        chi = self.misfit(modulation(inside[:, :5]), inside[:, 5:])
        total = -0.5 * (prior + chi)
        return np.where(possible & np.isfinite(total), total, -np.inf)

    def _shape(self, row: Float) -> tuple[float, Float, Float]:
        """Minus the logarithm at one row, its slope and its curvature per prior width."""
        h, fine, count = CURVATURE_STEP, SLOPE_STEP, len(row)
        lowest, highest = self._bounds()
        beside = np.clip(row, lowest + h * self.width, highest - h * self.width)
        one = np.diag(self.width)
        i, j = np.triu_indices(count, 1)
        both = one[i] + one[j]
        rows = np.vstack([h * one, -h * one, h * both, -h * both, fine * one, -fine * one])
        value = -self(np.vstack([row[None], beside[None], beside + rows]))
        value = np.nan_to_num(value, posinf=FAR_BELOW)
        ends = np.cumsum([count, count, len(i), len(i), count])
        up, down, far, back, ahead, behind = np.split(value[2:], ends)
        slope = (ahead - behind) / (2 * fine)
        curvature = np.diag((up + down - 2 * value[1]) / h**2)
        mixed = (far + back - up[i] - down[i] - up[j] - down[j] + 2 * value[1]) / (2 * h**2)
        curvature[i, j] = curvature[j, i] = mixed
        return float(value[0]), slope + curvature @ ((row - beside) / self.width), curvature

    def _bounds(self) -> tuple[Float, Float]:
        lowest = self.middle - FARTHEST * self.width
        highest = self.middle + FARTHEST * self.width
        lowest[[1, 3]], highest[1] = 0.0, MOST_WAVES
        return lowest, highest

    def from_prior(self, rng: np.random.RandomState) -> Float:
        """Rows to climb from: the likeliest of the prior's, no two of them of much the same kind."""
        rows = self.middle + self.width * rng.standard_normal((PRIOR_ROWS, len(self.width)))
        rows[:, [1, 3]] = np.abs(rows[:, [1, 3]])
        height = self(rows)
        if np.isfinite(height).sum() < STARTS:
            raise NotMeasurable("no response that lenses have agrees with the lines")
        chosen: list[int] = []
        for row in np.argsort(height)[::-1]:
            away = np.abs(rows[chosen] - rows[row]) / self.width
            if not chosen or away.max(axis=1).min() > APART:
                chosen.append(int(row))
            if len(chosen) == STARTS:
                break
        return rows[chosen]

    def summit(self, start: Float) -> tuple[Float, float]:
        """The most probable row that Newton's steps lead to from `start`, and its logarithm.

        Damped as Levenberg and Marquardt do, all dampings tried at once; what stands at a bound
        and would go beyond stays there.
        """
        lowest, highest = self._bounds()
        row = np.clip(start, lowest, highest)
        top = float("inf")
        for _ in range(CLIMB_STEPS):
            top, slope, curvature = self._shape(row)
            held = ((row <= lowest) & (slope > 0)) | ((row >= highest) & (slope < 0))
            values, vectors = np.linalg.eigh(np.where(held[:, None] | held, 0.0, curvature))
            along = vectors.T @ np.where(held, 0.0, slope)
            damped = np.maximum(np.abs(values), LEAST_CURVATURE) + DAMPINGS[:, None]
            steps = -(along / damped) @ vectors.T
            tried = np.clip(row + steps * self.width, lowest, highest)
            value = -self(tried)
            best = int(np.argmin(value))
            if not value[best] < top:
                break
            gained, top, row = top - value[best], float(value[best]), tried[best]
            if gained < CLOSE:
                break
        return row, -top

    def spread(self, summit: Float) -> Float:
        """Root of the covariance at a summit, in prior widths, by the curvature there."""
        values, vectors = np.linalg.eigh(self._shape(summit)[2])
        return np.asarray(vectors / np.sqrt(np.maximum(values, LEAST_CURVATURE)))


@dataclass(frozen=True)
class Summits:
    """Where a posterior is most probable: `parameters` (k, 5 + more), the most probable first, with the
    logarithm of its density there, and the first one's response (1, n).

    How the summit differs between two sets of data is how their posteriors differ, where these are of
    one shape; it costs a hundredth of drawing.
    """

    parameters: Float
    height: Float
    curve: Float
    misfit: float
    """Sum of the squared, weighted residuals at the first, over the number of data."""
    density: _Density

    def that_count(self) -> npt.NDArray[np.intp]:
        """Which of the rows hold some of the posterior, each summit once."""
        kept: list[int] = []
        for k in np.flatnonzero(self.height > self.height[0] - LOWER):
            away = np.abs(self.parameters[kept] - self.parameters[k]) / self.density.width
            if not kept or away.max(axis=1).min() > SAME:
                kept.append(int(k))
        return np.array(kept)

    def frequency_at(self, level: float) -> float:
        """Where the first one's response falls to `level`, cycles/px; NaN where it does not."""
        return float(_first_at(self.curve, level)[0])

    def spread_at(self, level: float) -> float:
        """Standard uncertainty of that place, as far as curvature at the summit tells; NaN likewise."""
        summit = self.parameters[0]
        away = self.density.spread(summit).T * self.density.width * SLOPE_SHARE
        pair = [modulation(summit[:5] + sign * away[:, :5]) for sign in (1, -1)]
        slope = np.subtract(*(_first_at(curves, level) for curves in pair)) / (2 * SLOPE_SHARE)
        return float(np.sqrt((slope**2).sum()))


def summits(told: Told, near: Float | None = None, seed: int = 1) -> Summits:
    """Climb to where the posterior is most probable: from rows of parameters `near` (k, 5 + more),
    which much the same data gave, or from all over the prior.

    Raises `NotMeasurable` when nothing in the family comes near the data.
    """
    density = _Density.of(told)
    starts = density.from_prior(np.random.RandomState(seed)) if near is None else near
    found = sorted((density.summit(row) for row in starts), key=lambda one: -one[1])
    rows, height = np.array([row for row, _ in found]), np.array([top for _, top in found])
    curve = modulation(rows[:1, :5])
    misfit = float(told.misfit(curve, rows[:1, 5:])[0]) / max(1, told.data)
    return Summits(rows, height, curve, misfit, density)


def draw(told: Told, near: Float | None = None, seed: int = 1) -> Posterior:
    """Draw from the posterior of the family and of further parameters of the data's own.

    Arguments and errors as of `summits`, about which the walkers begin.
    """
    import emcee  # with scipy.stats behind it: whoever draws nothing does without

    found = summits(told, near, seed)
    rng = np.random.RandomState(seed)
    sampler = emcee.EnsembleSampler(
        WALKERS, found.parameters.shape[1], found.density, vectorize=True,
        moves=[(emcee.moves.DEMove(), 0.7), (emcee.moves.DESnookerMove(), 0.1),
               (emcee.moves.StretchMove(), 0.2)],
    )  # fmt: skip
    begin = _walkers(found, rng)
    sampler.random_state = rng.get_state()
    sampler.run_mcmc(begin, STEPS, skip_initial_state_check=True)
    rows = sampler.get_chain(discard=BURN_IN, thin=5, flat=True)
    curves = modulation(rows[:, :5])
    return Posterior(
        rows, curves, float(told.misfit(curves, rows[:, 5:]).min()) / max(1, told.data)
    )


def _walkers(found: Summits, rng: np.random.RandomState) -> Float:
    """Rows for the walkers to begin at: about the summits, as many at each as it holds of the
    posterior (its height times its extent) and as far off as its curvature lets them."""
    density, high = found.density, found.that_count()
    roots = [density.spread(found.parameters[k]) for k in high]
    extent = np.array([np.linalg.slogdet(root)[1] for root in roots])
    share = np.exp(found.height[high] - found.height[0] + extent - extent.max())
    # By share and not by chance: walkers seldom cross between summits.
    chosen = np.searchsorted(np.cumsum(share / share.sum()), (np.arange(WALKERS) + 0.5) / WALKERS)
    chosen = np.minimum(chosen, len(high) - 1)
    rows = np.empty((WALKERS, len(density.width)))
    for which in np.unique(chosen):
        summit, mine = found.parameters[high[which]], chosen == which
        away = (roots[which] @ rng.standard_normal((len(summit), mine.sum()))).T
        apart = summit + away * density.width
        apart[:, [1, 3]] = np.abs(apart[:, [1, 3]])
        # A walker that begins where nothing is possible would never say how much better a step is.
        near = summit + 0.02 * (apart - summit)
        near[:, [1, 3]] = np.abs(near[:, [1, 3]])
        rows[mine] = np.where(np.isfinite(density(apart))[:, None], apart, near)
    for _ in range(
        SETTLE_TURNS
    ):  # between a summit and those that stand where something is possible
        possible = np.isfinite(density(rows))
        if possible.all() or not possible.any():
            break
        ahead = rows[rng.choice(np.flatnonzero(possible), int((~possible).sum()))]
        part = rng.uniform(0.1, 0.9, (len(ahead), 1))
        rows[~possible] = found.parameters[0] + part * (ahead - found.parameters[0])
    return rows


def interpolation(frequency: Float) -> Float:
    """Matrix (grid, n) by which curves on `FREQUENCY` are interpolated linearly at `frequency`."""
    return np.stack([np.interp(frequency, FREQUENCY, unit) for unit in np.eye(len(FREQUENCY))])


def fit_bands(
    frequency: Float, ratio: Float, error: Float, gain: tuple[float, float], seed: int = 1
) -> tuple[Posterior, float]:
    """The family fitted to a response known in bands up to one factor; also returns that factor.

    `gain` is the factor as known beforehand, with its standard uncertainty.
    `frequency` (n) in cycles/px, `ratio` (n) and its standard errors.
    """

    at_bands = interpolation(frequency)

    def misfit(curves: Float, more: Float) -> Float:
        return np.asarray((((more * (curves @ at_bands) - ratio) / error) ** 2).sum(axis=1))

    told = Told(misfit, len(frequency), np.array([gain[0]]), np.array([gain[1]]))
    posterior = draw(told, seed=seed)
    return posterior, float(np.median(posterior.parameters[:, 5]))
