"""Modulation transfer of ideal parts: the diffraction-limited lens and the pixel aperture."""

from __future__ import annotations

import math
from functools import lru_cache

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
    return defocused_transfer(np.asarray(frequency_per_um, dtype=np.float64) / cutoff, 0.0)


def pixel_aperture_transfer(frequency_per_px: npt.ArrayLike, width_px: float = 1.0) -> Curve:
    """Transfer of a pixel `width_px` wide: sin(pi f p) / (pi f p), `frequency_per_px` cycles/px."""
    return np.asarray(np.sinc(np.asarray(frequency_per_px, dtype=np.float64) * width_px))


_PUPIL_NODES = 160
"""Quadrature nodes along the pupil: exact to 1e-6 up to 6 waves of defocus."""


def defocused_transfer(normalised: npt.ArrayLike, waves: float) -> Curve:
    """Transfer of a circular pupil with `waves` of defocus (W020) at its rim (Hopkins 1955).

    `normalised` is the frequency over the cut-off, any shape.
    The overlap of two unit discs n apart to either side, with the difference of their parabolic
    phases 8 pi W n x, gives 4/pi int_0^(1-n) cos(8 pi W n x) sqrt(1 - (x + n)^2) dx. The
    substitution x + n = sin t makes the integrand smooth. Negative values are contrast reversals.
    """
    n = np.abs(np.asarray(normalised, dtype=np.float64))
    if waves == 0:
        n = np.clip(n, 0.0, 1.0)
        return np.asarray(2 / math.pi * (np.arccos(n) - n * np.sqrt(1 - n * n)))
    return np.asarray(np.interp(n, np.linspace(0, 1, 1025), _defocus_table(abs(waves)), right=0.0))


@lru_cache(maxsize=256)
def _defocus_table(waves: float) -> Curve:
    n = np.linspace(0, 1, 1025)[:, None]
    nodes, weights = _pupil_quadrature()
    low = np.arcsin(n)
    half = (math.pi / 2 - low) / 2
    t = low + half * (1 + nodes)
    phase = np.cos(8 * math.pi * waves * n * (np.sin(t) - n))
    table: Curve = 4 / math.pi * (half * weights * phase * np.cos(t) ** 2).sum(axis=1)
    return table


@lru_cache(maxsize=1)
def _pupil_quadrature() -> tuple[Curve, Curve]:
    nodes, weights = np.polynomial.legendre.leggauss(_PUPIL_NODES)
    return nodes, weights
