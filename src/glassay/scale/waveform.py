"""The mean waveform of a division, its harmonics, and the shifts that fit single lines to it."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter, uniform_filter1d

from glassay.errors import NotMeasurable
from glassay.scale.line_cells import Cells

Array = npt.NDArray[Any]

MAX_SOLVED_PERIOD_PX = 40.0
"""Up to this period the waveform of unevenly filled bins is solved for; in longer ones neighbouring
px sample it finely enough to interpolate."""
MIN_BINS = 4
"""Bins of a division that must hold pixels: one more than a line's background, contrast and shift."""
HARMONIC_SIGNIFICANCE = 4.0
"""A harmonic of the waveform is kept when it stands this many standard errors above zero."""
NYQUIST_SHARE = 1.8
"""Highest harmonic kept, as a share of half the sampling frequency. It may exceed 1, as lines at
many different places within a pixel together sample the waveform more finely than one does."""
ALIGNED_NYQUIST_SHARE = 0.95
"""The same where the lines stand at much the same place within their pixels, so that higher harmonics
cannot be told from their aliases."""


def without_slope(cells: Cells, period: float) -> Array:
    """Cell values less the uneven light: each cell's mean and the trend from cell to cell."""
    weight = cells.count.sum(axis=2)
    mean = (cells.mean * cells.count).sum(axis=2) / np.maximum(weight, 1)
    filled = np.where(weight > 0, mean, np.nan)
    slope = np.zeros_like(mean)
    for j in range(len(mean)):
        good = np.isfinite(filled[j])
        if good.sum() >= 4:
            level = np.interp(np.arange(len(good)), np.flatnonzero(good), filled[j][good])
            level = uniform_filter1d(median_filter(level, 3, mode="nearest"), 5, mode="nearest")
            slope[j] = np.gradient(level) / period
    flat = cells.mean - mean[..., None] - slope[..., None] * cells.offsets
    return np.asarray(np.where(cells.count > 0, flat, 0.0))


def _design(harmonics: npt.NDArray[np.int64], offsets: Array, period: float) -> Array:
    phase = 2 * np.pi * offsets[:, None] * harmonics[None, :] / period
    return np.concatenate([np.cos(phase), np.sin(phase)], axis=1)


def waveform(
    cells: Cells, value: Array, period: float
) -> tuple[Array, npt.NDArray[np.int64], float]:
    """Harmonics of the mean waveform that stand above the noise, and the noise of one pixel."""
    count = cells.count.sum(axis=(0, 1))
    profile = (value * cells.count).sum(axis=(0, 1)) / np.maximum(count, 1)
    known = count > 0
    if known.sum() < MIN_BINS:
        raise NotMeasurable("the lines found at low resolution do not hold up in the full photo")
    even_cover = count.sum() ** 2 / (len(count) * (count**2).sum())
    share = NYQUIST_SHARE if even_cover > 0.8 else ALIGNED_NYQUIST_SHARE
    highest = max(1, int(share * period / 2))
    harmonics = np.arange(1, min(highest, max(1, (int(known.sum()) - 1) // 2), 200) + 1)
    deviation = ((value - profile) ** 2 * cells.count).sum()
    noise = float(np.sqrt(deviation / max(1.0, (cells.count > 0).sum() - known.sum())))
    if even_cover > 0.8 or period > MAX_SOLVED_PERIOD_PX:
        solution = _transformed(profile, known, harmonics)
    else:
        solution = _solved(profile, count, harmonics, cells.offsets, period)
    size = np.hypot(solution[: len(harmonics)], solution[len(harmonics) :])
    floor = HARMONIC_SIGNIFICANCE * noise * np.sqrt(2 / max(count.sum(), 1))
    kept = size > floor
    kept[0] = True
    both = np.concatenate([kept, kept])
    return solution[both], harmonics[kept], noise


def _transformed(
    profile: Array, known: npt.NDArray[np.bool_], harmonics: npt.NDArray[np.int64]
) -> Array:
    """Cosine and sine coefficients of a profile whose bins are filled evenly enough."""
    bins = np.arange(len(profile))
    filled = np.interp(bins, bins[known], profile[known], period=len(profile))
    spectrum = np.fft.rfft(filled)[harmonics] * 2 / len(profile)
    turned = spectrum * np.exp(-2j * np.pi * harmonics * (0.5 / len(profile) - 0.5))
    return np.concatenate([turned.real, -turned.imag])


def _solved(
    profile: Array, count: Array, harmonics: npt.NDArray[np.int64], offsets: Array, period: float
) -> Array:
    """The same by weighted least squares, for lines at whole px, which leave bins empty."""
    design = np.column_stack([np.ones(len(profile)), _design(harmonics, offsets, period)])
    weighted = design * count[:, None]
    normal = weighted.T @ design
    # The ridge leaves at zero what the filled bins cannot tell.
    normal[np.diag_indices_from(normal)] += 1e-6 * np.trace(normal) / len(normal)
    solution: Array = np.linalg.solve(normal, weighted.T @ profile)[1:]
    return solution


def evaluate(
    coefficients: Array, harmonics: npt.NDArray[np.int64], offsets: Array, period: float
) -> tuple[Array, Array]:
    """The waveform and its derivative with respect to the offset, at `offsets`."""
    wave = _design(harmonics, offsets, period) @ coefficients
    turn = 2 * np.pi * harmonics / period
    half = len(harmonics)
    turned = np.concatenate([coefficients[half:] * turn, -coefficients[:half] * turn])
    return wave, _design(harmonics, offsets, period) @ turned


def shifts(
    cells: Cells, value: Array, wave: Array, slope: Array
) -> tuple[Array, Array, Array, Array, float]:
    """Least-squares shift and amplitude of each (slab, line) cell, and the noise of a pixel.

    Returns shift, its error for unit noise, amplitude, its error, and the noise.
    """
    basis = np.stack([np.ones_like(wave), wave, slope])
    products = (basis[:, None] * basis[None]).reshape(9, -1)
    normal = (cells.count @ products.T).reshape(*cells.count.shape[:2], 3, 3)
    right = (cells.count * value) @ basis.T
    diagonal = np.einsum("jnaa->jna", normal)
    filled = (cells.count > 0).sum(axis=2) >= MIN_BINS
    solvable = filled & (diagonal > 0).all(axis=2)
    ridge = np.eye(3) * (1e-9 * np.maximum(diagonal, 1e-12))[..., None]
    inverse = np.linalg.inv(np.where(solvable[..., None, None], normal + ridge, np.eye(3)))
    solution = np.einsum("jnab,jnb->jna", inverse, right)
    amplitude = np.where(solvable, solution[..., 1], 0.0)
    safe = np.where(np.abs(amplitude) > 1e-6, amplitude, np.inf)
    shift = np.where(solvable, -solution[..., 2] / safe, np.nan)
    error = np.sqrt(np.maximum(inverse[..., 2, 2], 0)) / np.abs(safe)
    model = solution @ basis
    misfit = np.where(solvable[..., None], (value - model) ** 2 * cells.count, 0).sum()
    freedom = (cells.count > 0)[solvable].sum() - 3 * solvable.sum()
    noise = float(np.sqrt(misfit / max(1.0, float(freedom))))
    error = np.where(error > 0, error, np.inf)
    amplitude_error = noise * np.sqrt(np.maximum(inverse[..., 1, 1], 0))
    return shift, error, amplitude, amplitude_error, max(noise, 1e-6)
