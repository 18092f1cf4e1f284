"""Registration of translations: sub-pixel, large, and honest about strangers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import fft

from glassay.registration import Shift, align, find_shift


def texture(seed: int, shape: tuple[int, int] = (500, 640)) -> np.ndarray:
    """Band-limited random texture."""
    fy, fx = fft.fftfreq(shape[0])[:, None], fft.rfftfreq(shape[1])[None, :]
    white = np.random.default_rng(seed).standard_normal(shape)
    return fft.irfft2(fft.rfft2(white) * np.exp(-np.hypot(fx, fy) / 0.06), s=shape).astype("f4")


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.3, -0.2), (7.4, 3.1), (-90.25, 60.5)])
def test_translations_are_found_to_hundredths_of_a_pixel(shift):
    first = texture(1)
    second = align(first, Shift(-shift[0], -shift[1], 1.0))
    noise = 0.05 * first.std() * np.random.default_rng(2).standard_normal(first.shape)
    found = find_shift(first, (second + noise).astype(np.float32))
    assert found.is_certain
    assert found.dx == pytest.approx(shift[0], abs=0.03)
    assert found.dy == pytest.approx(shift[1], abs=0.03)


def test_aligning_undoes_the_shift():
    first = texture(3)
    moved = align(first, Shift(-2.5, 1.25, 1.0))
    back = align(moved, Shift(2.5, -1.25, 1.0))
    assert np.abs(back - first).max() < 1e-3 * first.std() + 1e-5


@pytest.mark.parametrize("shape", [(120, 120), (500, 640)])
def test_unrelated_pictures_share_no_certain_shift(shape):
    for seed in range(4):
        assert not find_shift(texture(10 + seed, shape), texture(20 + seed, shape)).is_certain
