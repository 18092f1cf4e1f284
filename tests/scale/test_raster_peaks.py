"""Sharp peaks of a photo's spectrum: a raster's own, or harmonics of coarser lines."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy import fft

from glassay.scale.raster import MOST_PARTS, _is_harmonic, _peaks

SIDE = 256


def peaks_of(wave: npt.NDArray[np.float64]) -> list[tuple[float, float]]:
    """Those finer than the longest period, of a tile with a little noise."""
    noise = np.random.default_rng(1).normal(0, 0.01, (SIDE, SIDE))
    window = np.hanning(SIDE)[:, None] * np.hanning(SIDE)[None, :]
    tile = np.broadcast_to(wave, (SIDE, SIDE)) + noise
    return _peaks(fft.rfft2((tile - tile.mean()) * window))[0]


@pytest.mark.parametrize("turn_deg", [0, 12, -35, 90, 140])
def test_a_fine_wave_is_a_peak_unless_it_is_a_harmonic_of_a_stronger_coarse_one(
    turn_deg: int,
) -> None:
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    turn = math.radians(turn_deg)
    along = x * math.cos(turn) + y * math.sin(turn)
    fine = 0.2 * np.cos(2 * np.pi * along / 3.25)
    coarse = np.cos(2 * np.pi * along / 13)
    frequency = np.array([math.cos(turn), math.sin(turn)]) / 3.25
    for wave in (fine, fine + 0.05 * coarse):
        found = peaks_of(wave)
        assert found
        for one in found:
            off = min(np.hypot(*(sign * frequency - one)) for sign in (1, -1))
            assert off < 1.5 / SIDE
    assert peaks_of(fine + 0.4 * coarse) == []


def test_a_harmonic_is_a_whole_multiple_in_either_half_of_the_plane() -> None:
    bases = np.array([[7.0, 3.0], [11.2, -4.1]])
    for part in range(2, MOST_PARTS + 1):
        for base in bases:
            assert _is_harmonic(part * base + 0.25, bases)
            assert _is_harmonic(-part * base, bases)
            assert not _is_harmonic(part * base + (0.0, 0.35 + 0.15 * part), base[None])
    assert not _is_harmonic(bases[0], bases)
    assert not _is_harmonic(2 * bases[0], bases[:0])
