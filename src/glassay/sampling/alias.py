"""Mirrors elsewhere than at the native Nyquist frequency: copies, mixtures with the 8 px grid."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.sampling.mirror import NOISE_STRENGTH, MirrorSpectrum, Spectrum

ALIAS_COHERENCE = 0.5
"""When s and s / (s - 1) are both mirrored, and the weaker by more than this share of the stronger,
copied pixels ("nearest") explain it, and the pattern of copies decides. Smooth kernels stay below 0.47,
copies reach 0.6 and more wherever their stronger mirror is the other one."""


def is_mixed(factor: float, stronger: float, length: int, is_compressed: bool) -> bool:
    """Whether enlargement by `factor` mirrors where a `stronger` mirror's variance is seen again.

    That of s repeats at s / (s - 1), for 1/s and 1 - 1/s are one frequency once sampled, and the 8 px
    grid of a compression mixes multiples of 1/8 cycles/px into both. `length` of the rows in px.
    """
    eighths = np.arange(8) / 8 if is_compressed else np.zeros(1)
    mixed = np.concatenate([1 / stronger + eighths, eighths - 1 / stronger])
    away = np.abs((mixed - 1 / factor + 0.5) % 1 - 0.5)
    return bool(away.min() <= 1.5 / length)


def settle_alias(
    best: int,
    strength: Spectrum,
    coherence: Spectrum,
    spectrum: MirrorSpectrum,
    residual: FloatImage | None,
) -> int:
    """Copied pixels mirror about f and 1/2 - f alike; their pattern tells which is the native one.

    Returns the index of whichever of the two it is.
    """
    if residual is None:
        return best
    middle = int(np.argmin(np.abs(spectrum.frequency - (0.5 - spectrum.frequency[best]))))
    near = slice(max(0, middle - 1), middle + 2)
    other = near.start + int(np.argmax(coherence[near]))
    ratio = coherence[other] / coherence[best]
    if strength[other] < NOISE_STRENGTH or ratio < ALIAS_COHERENCE:
        return best
    low, high = sorted((best, other), key=lambda i: float(spectrum.frequency[i]))
    return high if _copies_are_few(residual, 2 * float(spectrum.frequency[high])) else low


def _copies_are_few(residual: FloatImage, repetition: float) -> bool:
    """Whether steps between neighbouring columns are the rule and copies the exception.

    The mean square step from column to column is high between native pixels and low between copies:
    a train of pulses that `repetition` = 1/s per px repeats, with amplitude sin(pi k / s) / k at
    its k-th harmonic. The product of the first harmonic, squared, and the conjugate second has the
    sign of sin(2 pi / s) whatever the phase: negative for s < 2, when copies are few.
    """
    steps = np.mean(np.diff(residual, axis=1) ** 2, axis=0, dtype=np.float64)
    steps = (steps - steps.mean()) * np.hanning(steps.size)
    # The train's exact frequency, within the resolution of the mirror spectrum.
    tried = repetition + np.linspace(-0.75, 0.75, 31) / steps.size
    first = _amplitudes(steps, tried)
    best = int(np.argmax(np.abs(first)))
    second = _amplitudes(steps, 2 * tried[best : best + 1])[0]
    product = first[best] ** 2 * np.conj(second)
    return float(product.real) < 0


def _amplitudes(signal: Spectrum, frequencies: Spectrum) -> npt.NDArray[np.complex128]:
    turns = frequencies[:, None] * np.arange(signal.size)
    return np.asarray(np.exp(-2j * np.pi * turns) @ signal)
