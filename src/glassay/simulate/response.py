"""The response of optics, pixel aperture and motion on the grid of a Fourier transform."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.simulate.camera import Camera
from glassay.simulate.geometry import Image, Pose
from glassay.simulate.optics import Optics
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
    fy = np.abs(fft.fftfreq(grid_shape[0], 1 / oversample))
    fx = fft.rfftfreq(grid_shape[1], 1 / oversample)
    limit = oversample / math.sqrt(2) * 1.0001
    f = np.linspace(0, limit, _TABLE_STEPS)
    radial = optics.transfer(f / pose.pixel_size_um, colour, defocus_um)
    radial = radial * np.exp(2 * (math.pi * PREFILTER_SAMPLES / oversample * f) ** 2)
    upper = slice(0, grid_shape[0] // 2 + 1)
    place = np.hypot(fy[upper, None], fx[None, :]) * ((_TABLE_STEPS - 1) / limit)
    half = between(radial, place.astype(dtype))
    side = camera.aperture_px
    half *= (np.sinc(fy[upper] * side)[:, None] * np.sinc(fx * side)).astype(dtype)
    mirrored = half[1 : (grid_shape[0] + 1) // 2][::-1]
    response = np.concatenate([half, mirrored])
    if optics.motion_px != (0.0, 0.0):
        signed = fft.fftfreq(grid_shape[0], 1 / oversample)
        path = signed[:, None] * optics.motion_px[1] + fx * optics.motion_px[0]
        response *= np.sinc(path).astype(dtype)
    return response


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
