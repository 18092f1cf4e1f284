"""Ideal modulation transfer agrees with the textbook and with an optics library."""

from __future__ import annotations

import numpy as np
import pytest
from prysm.otf import diffraction_limited_mtf

from glassay.optics.transfer import diffraction_transfer, pixel_aperture_transfer

WAVELENGTH_UM = 0.55


def test_diffraction_transfer_agrees_with_an_optics_library() -> None:
    # prysm (registry library) computes the same curve from f-number and wavelength, in cycles/mm;
    # NA = 1 / (2 N) in its paraxial convention.
    aperture = 0.25
    frequency = np.linspace(0, 0.99 * 2 * aperture / WAVELENGTH_UM, 50)
    theirs = diffraction_limited_mtf(1 / (2 * aperture), WAVELENGTH_UM, frequencies=frequency * 1e3)
    assert diffraction_transfer(frequency, WAVELENGTH_UM, aperture) == pytest.approx(
        theirs, abs=1e-9
    )


def test_diffraction_transfer_falls_from_one_to_nothing_at_the_cutoff() -> None:
    cutoff = 2 * 0.25 / WAVELENGTH_UM
    curve = diffraction_transfer([0, cutoff / 2, cutoff, 2 * cutoff], WAVELENGTH_UM, 0.25)
    # At half the cut-off: (2/pi)(pi/3 - sqrt(3)/4) = 0.391 (Goodman, Fourier Optics, from memory).
    assert curve == pytest.approx([1, 2 / np.pi * (np.pi / 3 - 3**0.5 / 4), 0, 0], abs=1e-12)


def test_diffraction_transfer_is_the_autocorrelation_of_a_disc() -> None:
    # The optical transfer function is the pupil's autocorrelation: computed here by brute force.
    n = 401
    y, x = np.mgrid[-1 : 1 : n * 1j, -1 : 1 : n * 1j]
    pupil = (x**2 + y**2 <= 1).astype(float)
    shift = 120  # of 200 samples in a radius: n = shift / 400 of the cut-off
    overlap = (pupil[:, shift:] * pupil[:, :-shift]).sum() / pupil.sum()
    cutoff = 2 * 0.25 / WAVELENGTH_UM
    ours = diffraction_transfer([cutoff * shift / 400], WAVELENGTH_UM, 0.25)
    assert ours == pytest.approx(overlap, abs=5e-3)  # the sampled rim of the disc


def test_pixel_aperture_is_a_sinc_with_its_first_zero_at_one_cycle_per_width() -> None:
    assert pixel_aperture_transfer([0, 0.5, 1]) == pytest.approx([1, 2 / np.pi, 0], abs=1e-12)
    assert pixel_aperture_transfer([0.5], 2.0) == pytest.approx([0], abs=1e-12)
