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

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from scipy.optimize import minimize

from glassay.errors import NotMeasurable
from glassay.optics.transfer import defocused_transfer

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

_MOST_WAVES = 1.5
_TABLE_N = np.linspace(0.0, 1.0, 257)
_TABLE_W = np.linspace(0.0, _MOST_WAVES, 31)
PROCESSING_SHARE = 0.01
COMPRESSION_SHARE = 0.05
"""Relative standard uncertainty of the result for an unknown tone curve and firmware, and for JPEG at
quality 80 (in proportion to 100 less the quality): compression takes weak harmonics away or rings, by
3 to 4 % of the 10 % frequency at 80 in the study."""
WALKERS, STEPS, BURN_IN = 48, 320, 160
"""Enough for a standard error of the median below a tenth of the posterior's width (study)."""
NEARBY_STEPS = 60
"""Iterations within which the best parameters of changed data are found from those of the usual data;
fewer than 40 suffice on drawn slides."""
FARTHEST = 6.0
"""Prior standard deviations from the middle beyond which parameters are not sought."""
GRADIENT_STEP = 1e-3
"""Share of each prior's width over which slopes are taken, on either side."""
CURVATURE_STEP = 0.02
"""Share of each prior's width over which curvatures are taken."""
LEAST_CURVATURE = 0.5
"""Curvature, in prior widths, below which a summit is taken as no flatter: the prior's alone is 1."""
SUMMITS = 4
"""From how many rows, the best of those drawn from the prior, summits are sought."""


def _table() -> Float:
    global _kept_table
    if _kept_table is None:
        _kept_table = np.stack([defocused_transfer(_TABLE_N, waves) for waves in _TABLE_W])
    return _kept_table


_kept_table: Float | None = None


def modulation(parameters: Float, frequency: Float = FREQUENCY) -> Float:
    """Responses, shape (n, frequencies), of n rows of `NAMES`, at `frequency` (cycles/px)."""
    fc, waves, s, a, r = (column[:, None] for column in np.atleast_2d(parameters).T)
    fc, s, r, a = np.exp(fc), np.exp(s), np.exp(r), _amount(a)
    n = frequency / fc
    at = np.stack(
        [
            np.broadcast_to(waves * (len(_TABLE_W) - 1) / _MOST_WAVES, n.shape),
            np.minimum(n, 1.0) * (len(_TABLE_N) - 1),
        ]
    )
    lens = map_coordinates(_table(), at, order=1, mode="nearest")
    square = -2 * np.pi**2 * frequency**2
    blur = np.exp(square * s**2) * np.sinc(frequency)
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

    def frequency_at(self, level: float) -> Float:
        """Where each draw first falls to `level`, cycles/px; NaN where it does not below 1."""
        below = self.curves < level
        found = below.any(axis=1)
        i = np.maximum(np.argmax(below, axis=1), 1)
        rows = np.arange(len(i))
        high, low = self.curves[rows, i - 1], self.curves[rows, i]
        share = (high - level) / np.maximum(high - low, 1e-12)
        step = FREQUENCY[1] - FREQUENCY[0]
        return np.asarray(np.where(found, FREQUENCY[i - 1] + share * step, np.nan))


Misfit = Callable[[Float, Float], Float]
"""Given n responses on `FREQUENCY` and n rows of further parameters: the n sums of squared residuals
over their standard uncertainties; inf where a row is impossible."""


@dataclass(frozen=True)
class _Density:
    """Logarithm of the posterior's density; further parameters have normal priors."""

    misfit: Misfit
    middle: Float
    width: Float

    @classmethod
    def of(cls, misfit: Misfit, more_middle: Float, more_width: Float) -> _Density:
        middle = np.concatenate([PRIOR_MIDDLE, more_middle])
        return cls(misfit, middle, np.concatenate([PRIOR_WIDTH, more_width]))

    def __call__(self, rows: Float) -> Float:
        possible = (rows[:, 1] >= 0) & (rows[:, 1] <= _MOST_WAVES) & (rows[:, 3] >= 0)
        prior = ((rows - self.middle) ** 2 / self.width**2).sum(axis=1)
        inside = np.where(possible[:, None], rows, self.middle)
        chi = self.misfit(modulation(inside[:, :5]), inside[:, 5:])
        total = -0.5 * (prior + chi)
        return np.where(possible & np.isfinite(total), total, -np.inf)

    def _downhill(self, row: Float) -> tuple[float, Float]:
        """Minus the logarithm at one row, and its slope per prior width."""
        lowest, highest = self._bounds()
        steps = GRADIENT_STEP * np.diag(self.width)
        up, down = np.minimum(row + steps, highest), np.maximum(row - steps, lowest)
        value = -self(np.vstack([row[None], up, down]))
        count = len(row)
        slope = (value[1 : count + 1] - value[count + 1 :]) / np.diag(up - down)
        return float(value[0]), slope * self.width

    def _bounds(self) -> tuple[Float, Float]:
        lowest = self.middle - FARTHEST * self.width
        highest = self.middle + FARTHEST * self.width
        lowest[[1, 3]], highest[1] = 0.0, _MOST_WAVES
        return lowest, highest

    def summit(self, start: Float) -> tuple[Float, float]:
        """The most probable row that slopes lead to from `start`, and its logarithm."""
        width = self.width
        bounds = [bound / width for bound in self._bounds()]
        found = minimize(
            lambda scaled: self._downhill(scaled * width), start / width, jac=True,
            method="L-BFGS-B", bounds=list(zip(*bounds, strict=True)),
            options={"maxiter": NEARBY_STEPS},
        )  # fmt: skip
        return found.x * width, -float(found.fun)

    def around_summits(self, starts: Float, rng: np.random.RandomState) -> Float:
        """Rows for the walkers to begin at: about the summits, as densely as these are high and as
        far as their curvature lets them."""
        found = [self.summit(start) for start in starts]
        height = np.array([top for _, top in found])
        share = np.exp(height - height.max())
        chosen = rng.choice(len(found), WALKERS, p=share / share.sum())
        rows = np.empty((WALKERS, len(self.width)))
        for which in np.unique(chosen):
            summit, mine = found[which][0], chosen == which
            away = self._spread(summit) @ rng.standard_normal((len(summit), mine.sum()))
            apart = summit + away.T * self.width
            apart[:, [1, 3]] = np.abs(apart[:, [1, 3]])
            # A walker that begins where nothing is possible would never say how much better a step is.
            near = summit + 0.02 * (apart - summit)
            near[:, [1, 3]] = np.abs(near[:, [1, 3]])
            rows[mine] = np.where(np.isfinite(self(apart))[:, None], apart, near)
        return rows

    def _spread(self, summit: Float) -> Float:
        """Root of the covariance at a summit, in prior widths, by the curvature there."""
        step = CURVATURE_STEP * np.diag(self.width)
        slopes = [
            (self._downhill(summit + one)[1] - self._downhill(summit - one)[1]) for one in step
        ]
        curvature = np.nan_to_num(np.array(slopes) / (2 * CURVATURE_STEP), posinf=1, neginf=1)
        values, vectors = np.linalg.eigh((curvature + curvature.T) / 2)
        return np.asarray(vectors / np.sqrt(np.maximum(values, LEAST_CURVATURE)))


def draw(
    misfit: Misfit, data: int, more_middle: Float, more_width: Float, seed: int = 1
) -> Posterior:
    """Draw from the posterior of the family and of further parameters of the data's own, which have
    normal priors of `more_middle` and `more_width`.

    Raises `NotMeasurable` when nothing in the family comes near the data.
    """
    import emcee  # with scipy.stats behind it: whoever draws nothing does without

    density = _Density.of(misfit, more_middle, more_width)
    middle, width = density.middle, density.width
    rng = np.random.RandomState(seed)
    start = middle + width * rng.standard_normal((4000, len(middle)))
    start[:, [1, 3]] = np.abs(start[:, [1, 3]])
    first = density(start)
    if not np.isfinite(first).sum() >= WALKERS:
        raise NotMeasurable("no response that lenses have agrees with the lines")
    best = density.around_summits(start[np.argsort(first)[::-1][:SUMMITS]], rng)
    sampler = emcee.EnsembleSampler(
        WALKERS, len(middle), density, vectorize=True,
        moves=[(emcee.moves.DEMove(), 0.7), (emcee.moves.DESnookerMove(), 0.1),
               (emcee.moves.StretchMove(), 0.2)],
    )  # fmt: skip
    sampler.random_state = rng.get_state()
    sampler.run_mcmc(best, STEPS, skip_initial_state_check=True)
    rows = sampler.get_chain(discard=BURN_IN, thin=5, flat=True)
    return _posterior(rows, misfit, data)


def best_near(
    misfit: Misfit, data: int, more_middle: Float, more_width: Float, usual: Posterior
) -> Posterior:
    """The one most probable row of parameters, sought from the middle of the posterior of much the
    same data.

    How it differs between two sets of data is how their posteriors differ, where these are of one
    shape; finding it costs a hundredth of drawing again.
    """
    density = _Density.of(misfit, more_middle, more_width)
    row, _ = density.summit(np.median(usual.parameters, axis=0))
    return _posterior(np.atleast_2d(row), misfit, data)


def _posterior(rows: Float, misfit: Misfit, data: int) -> Posterior:
    curves = modulation(rows[:, :5])
    return Posterior(rows, curves, float(misfit(curves, rows[:, 5:]).min()) / max(1, data))


def fit_bands(
    frequency: Float, ratio: Float, error: Float, gain: tuple[float, float], seed: int = 1
) -> tuple[Posterior, float]:
    """The family fitted to a response known in bands up to one factor; also returns that factor.

    `gain` is the factor as known beforehand, with its standard uncertainty.
    `frequency` (n) in cycles/px, `ratio` (n) and its standard errors.
    """

    def misfit(curves: Float, more: Float) -> Float:
        model = np.stack([np.interp(frequency, FREQUENCY, curve) for curve in curves])
        return np.asarray((((more * model - ratio) / error) ** 2).sum(axis=1))

    posterior = draw(misfit, len(frequency), np.array([gain[0]]), np.array([gain[1]]), seed)
    return posterior, float(np.median(posterior.parameters[:, 5]))


def processing_share(jpeg_quality: int | None) -> float:
    """Relative standard uncertainty for what the file's making does to a response measured on it."""
    loss = 0.0 if jpeg_quality is None else COMPRESSION_SHARE * max(0, 100 - jpeg_quality) / 20
    return float(np.hypot(PROCESSING_SHARE, loss))
