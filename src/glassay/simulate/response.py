"""The response of optics, pixel aperture and motion on the grid of a Fourier transform."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.simulate.camera import Camera
from glassay.simulate.geometry import Image, Pose
from glassay.simulate.optics import Curve, Optics
from glassay.simulate.paint import PREFILTER_SAMPLES
from glassay.simulate.table import between

Spectrum = npt.NDArray[np.complexfloating]

_TABLE_STEPS = 2048
"""Steps of the radial table: linear interpolation between them is right to 1e-6."""


def fold(spectrum: Spectrum, grid_shape: tuple[int, int], step: int) -> Spectrum:
    """Spectrum (of a real FFT) of every `step`-th sample of a grid with the given spectrum.

    Taking every `step`-th sample adds up the frequencies that become indistinguishable; doing so
    here costs less than transforming the whole grid back. Both sides are multiples of 2 `step`.
    """
    rows, columns = grid_shape[0] // step, grid_shape[1] // step
    down = spectrum.reshape(step, rows, -1).sum(axis=0)
    half = columns // 2 + 1
    folded = down[:, :half].copy()
    for k in range(1, step):
        first = k * columns
        if first + half - 1 <= grid_shape[1] // 2:
            folded += down[:, first : first + half]
        else:
            mirrored = grid_shape[1] - first - np.arange(half)
            opposite = down[:, mirrored]
            # the value at (-row, column), conjugated
            folded[0] += np.conj(opposite[0])
            folded[1:] += np.conj(opposite[:0:-1])
    return np.asarray(folded / step**2)


def response_grid(
    grid_shape: tuple[int, int],
    oversample: int,
    pose: Pose,
    optics: Optics,
    camera: Camera,
    colour: int,
    defocus_um: float,
    dtype: npt.DTypeLike,
) -> Image:
    """Response at the frequencies of a real FFT of the fine grid, the painted Gaussian removed."""
    limit = oversample / math.sqrt(2) * 1.0001
    f = np.linspace(0, limit, _TABLE_STEPS)
    radial = optics.transfer(f / pose.pixel_size_um, colour, defocus_um)
    radial = radial * np.exp(2 * (math.pi * PREFILTER_SAMPLES / oversample * f) ** 2)
    name = np.dtype(dtype).name
    half = between(radial, _places(grid_shape, oversample, limit, name))
    half *= _aperture(grid_shape, oversample, camera.aperture_px, name)
    mirrored = half[1 : (grid_shape[0] + 1) // 2][::-1]
    response = np.concatenate([half, mirrored])
    if optics.motion_px != (0.0, 0.0):
        signed, fx = (
            fft.fftfreq(grid_shape[0], 1 / oversample),
            fft.rfftfreq(grid_shape[1], 1 / oversample),
        )
        path = signed[:, None] * optics.motion_px[1] + fx * optics.motion_px[0]
        response *= np.sinc(path).astype(dtype)
    return response


@lru_cache(maxsize=2)
def _places(grid_shape: tuple[int, int], oversample: int, limit: float, dtype: str) -> Image:
    """Where the frequencies of the upper half of a grid lie in the radial table. Kept, as is the
    aperture's response: colours, foci and moments of one picture share them."""
    fy, fx = _upper(grid_shape, oversample)
    return np.asarray(np.hypot(fy[:, None], fx) * ((_TABLE_STEPS - 1) / limit)).astype(dtype)


@lru_cache(maxsize=2)
def _aperture(grid_shape: tuple[int, int], oversample: int, side: float, dtype: str) -> Image:
    fy, fx = _upper(grid_shape, oversample)
    return np.asarray(np.sinc(fy * side)[:, None] * np.sinc(fx * side)).astype(dtype)


def _upper(grid_shape: tuple[int, int], oversample: int) -> tuple[Curve, Curve]:
    """Frequencies down and across the upper half of the grid of a real transform, cycles/px."""
    fy = np.abs(fft.fftfreq(grid_shape[0], 1 / oversample))[: grid_shape[0] // 2 + 1]
    return fy, fft.rfftfreq(grid_shape[1], 1 / oversample)


def shifted(
    spectrum: Spectrum, grid_shape: tuple[int, int], oversample: int, shift_px: tuple[float, float]
) -> Spectrum:
    """Spectrum of the same picture moved by (columns, rows) px, exact for any fraction of a px."""
    if shift_px == (0.0, 0.0):
        return spectrum
    fy = fft.fftfreq(grid_shape[0], 1 / oversample)
    fx = fft.rfftfreq(grid_shape[1], 1 / oversample)
    down = np.exp(-2j * math.pi * fy * shift_px[1]).astype(spectrum.dtype)
    along = np.exp(-2j * math.pi * fx * shift_px[0]).astype(spectrum.dtype)
    return np.asarray(spectrum * down[:, None] * along)
