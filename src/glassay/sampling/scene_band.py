"""How far the detail of a scene reaches along an axis, and where its noise ends."""

from __future__ import annotations

import numpy as np
from scipy import fft

from glassay.imaging.tone import FloatImage
from glassay.sampling.decide import (
    AxisEvidence,
)
from glassay.sampling.frames import Stack
from glassay.sampling.mirror import (
    MirrorSpectrum,
    Spectrum,
)

SCENE_THRESHOLD = 1 / 7
"""Correlation of two exposures below which detail no longer counts as repeatable (the threshold of
Fourier ring correlation, Rosenthal and Henderson 2003)."""

BAND_STEP_SHARE = 0.1
"""Relative width within which the end of the repeatable band is placed (95 %): two pairs of one
scene agree to this."""


def scene_band(stack: Stack) -> tuple[float, float] | None:
    if not stack.noise:
        return None
    return _band_along(stack, 0), _band_along(stack, 1)


def _band_along(stack: Stack, axis: int) -> float:
    """Highest frequency along the axis at which two exposures would still correlate."""
    frames = len(stack.noise) + 1
    shared = _power(_thick_lines(stack.mean, axis))
    noise = np.mean([_power(_thick_lines(r, axis)) for r in stack.noise], axis=0)
    width = max(5, shared.size // 100)
    kernel = np.ones(width) / width
    shared, noise = (np.convolve(p, kernel, mode="same") for p in (shared, noise))
    scene = shared - noise / frames
    correlation = scene / np.maximum(scene + noise, 1e-12)
    below = np.flatnonzero(correlation[width:] < SCENE_THRESHOLD)
    index = int(below[0]) + width if below.size else shared.size - 1
    return index / (2 * (shared.size - 1))


def within_native(
    band: tuple[float, float], axes: tuple[AxisEvidence, AxisEvidence]
) -> list[float]:
    """Detail beyond the native Nyquist frequency is made by the enlarger, and repeats as well."""
    ends = [0.5 if axis.trace is None else 1 / (2 * axis.trace.factor) for axis in axes]
    return [min(frequency, end) for frequency, end in zip(band, ends, strict=True)]


def _thick_lines(plane: FloatImage, axis: int) -> FloatImage:
    """Means of 8 neighbouring lines: detail across the axis only, with less noise."""
    lines = plane.shape[axis] // 8 * 8
    plane = plane[:lines] if axis == 0 else plane[:, :lines].T
    return np.asarray(plane.reshape(lines // 8, 8, -1).mean(axis=1), dtype=np.float32)


def _power(lines: FloatImage) -> Spectrum:
    window = np.hanning(lines.shape[1]).astype(np.float32)
    spectrum = fft.rfft((lines - lines.mean(axis=1, keepdims=True)) * window, axis=1)
    return np.asarray(np.mean(np.abs(spectrum) ** 2, axis=0), dtype=np.float64)


def noise_end(noise: MirrorSpectrum) -> float:
    """Frequency above which less than a twentieth of the mid-band noise power is left."""
    smooth = np.convolve(noise.power, np.ones(15) / 15, mode="same")
    at = noise.power_frequency
    middle = float(np.median(smooth[(at > 0.03) & (at < 0.12)]))
    above = np.flatnonzero((smooth > middle / 20) & (at < 0.497))
    return float(at[above[-1]]) if above.size else 0.0
