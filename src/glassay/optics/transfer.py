"""Modulation transfer of ideal parts: the diffraction-limited lens and the pixel aperture."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Curve = npt.NDArray[np.float64]


def diffraction_transfer(
    frequency_per_um: npt.ArrayLike, wavelength_um: float, numerical_aperture: float
) -> Curve:
    """Transfer of an aberration-free circular pupil in incoherent light.

    (2/pi) (acos n - n sqrt(1 - n^2)) with n = f / (2 NA / wavelength), and 0 beyond the cut-off
    (Goodman, Introduction to Fourier Optics). `frequency_per_um` in cycles/um, any shape.
    """
    cutoff = 2 * numerical_aperture / wavelength_um
    n = np.clip(np.abs(np.asarray(frequency_per_um, dtype=np.float64)) / cutoff, 0.0, 1.0)
    curve: Any = (2 / np.pi) * (np.arccos(n) - n * np.sqrt(1 - n**2))
    return np.asarray(curve, dtype=np.float64)


def pixel_aperture_transfer(frequency_per_px: npt.ArrayLike, width_px: float = 1.0) -> Curve:
    """Transfer of a pixel `width_px` wide: sin(pi f p) / (pi f p), `frequency_per_px` cycles/px."""
    return np.asarray(np.sinc(np.asarray(frequency_per_px, dtype=np.float64) * width_px))
