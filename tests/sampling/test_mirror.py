"""The mirror spectrum on signals whose spectrum is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from glassay.sampling.mirror import mirror_spectrum, power_spectrum


def white(seed: int, shape: tuple[int, int] = (400, 600)) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(shape).astype(np.float32)


def test_strength_of_white_noise_stays_below_the_law_of_chance():
    # Chance exceeds t with probability exp(-t^2) at most: 1 in 10 and 1 in 1000, over 8 spectra.
    # A third is lost to the local level, which is taken where it is higher than the band's.
    strengths = np.concatenate([mirror_spectrum(white(seed)).strength for seed in range(8)])
    for probability in (0.1, 0.001):
        share = np.mean(strengths > np.sqrt(-np.log(probability)))
        scatter = 4 * np.sqrt(probability / strengths.size)
        assert probability / 2 - scatter < share < probability + scatter


def test_the_mirror_lies_at_the_native_nyquist_frequency_and_not_at_its_alias():
    small = white(3, (400, 375))
    rows = cv2.resize(small, (600, 400), interpolation=cv2.INTER_CUBIC)
    found = mirror_spectrum(rows)
    top = found.frequency[np.argmax(found.coherence)]
    assert top == pytest.approx(375 / 600 / 2, abs=1 / 600)
    assert found.coherence.max() > 0.8


def test_smoothed_noise_has_no_mirror():
    found = mirror_spectrum(cv2.GaussianBlur(white(4), (0, 0), 1.0))
    assert found.strength.max() < 5


def test_power_of_white_noise_is_its_variance():
    # 400 rows: each frequency has 400 independent values with 100 % spread; the mean of all 301
    # frequencies is good to 0.4 %.
    assert power_spectrum(3 * white(5)).mean() == pytest.approx(9, rel=0.015)
