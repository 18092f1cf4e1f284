"""Limits of resolution and depth reproduce published tables."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import jn_zeros

from glassay.optics import Chain, Sensor, chain_limits, chain_notes, limits


@pytest.mark.parametrize(
    ("aperture", "printed"),
    # A published course problem: 0.612 x 0.55 um / NA, values as printed (1.34; 0.518; 0.269).
    [(0.25, 1.34), (0.65, 0.518), (1.25, 0.269)],
)
def test_rayleigh_distance_of_the_course_problem(aperture: float, printed: float) -> None:
    # The course takes 0.612 where this takes 0.61; both round the same number.
    assert limits.rayleigh_distance_um(0.55, aperture) == pytest.approx(printed, rel=0.006)


def test_rayleigh_factor_is_the_first_zero_of_the_airy_pattern() -> None:
    # First zero of the Bessel function J1, by scipy.
    assert pytest.approx(jn_zeros(1, 1)[0] / (2 * np.pi), abs=2e-4) == limits.RAYLEIGH_FACTOR


@pytest.mark.parametrize(
    ("aperture", "printed"),
    # Published table of the standard formula at 550 nm (macro-photography forum, 2014), in um.
    [(0.10, 55.0), (0.14, 28.1), (0.25, 8.80), (0.28, 7.02), (0.40, 3.44), (0.55, 1.82),
     (0.65, 1.30), (0.75, 0.98)],
)  # fmt: skip
def test_depth_of_field_of_the_published_table(aperture: float, printed: float) -> None:
    half_digit = 0.05 if printed >= 20 else 0.005
    assert limits.depth_of_field_um(0.55, aperture) == pytest.approx(printed, abs=half_digit * 1.01)


def test_detector_term_of_depth_of_field() -> None:
    wave = limits.depth_of_field_um(0.55, 0.25)
    both = limits.depth_of_field_um(0.55, 0.25, 1.0, 3.45, 10)
    assert both - wave == pytest.approx(3.45 / (10 * 0.25))
    assert limits.depth_of_field_um(0.55, 0.25, 1.5) == pytest.approx(1.5 * wave)


def test_abbe_distance_is_the_period_at_the_cutoff() -> None:
    assert limits.abbe_distance_um(0.55, 0.5) == pytest.approx(0.55)
    assert limits.abbe_distance_um(0.55, 0.3) * limits.cutoff_per_um(0.55, 0.3) == pytest.approx(1)


def test_pixels_carry_the_aperture_whose_cutoff_is_their_nyquist_frequency() -> None:
    pixel_um = 0.4
    aperture = limits.aperture_carried_by_pixels(0.55, pixel_um)
    assert limits.cutoff_per_um(0.55, aperture) == pytest.approx(1 / (2 * pixel_um))
    assert limits.abbe_distance_um(0.55, aperture) == pytest.approx(
        limits.sampling_distance_um(pixel_um)
    )


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan")])
def test_no_limit_without_a_positive_aperture(bad: float) -> None:
    with pytest.raises(ValueError):
        limits.abbe_distance_um(0.55, bad)


def test_the_binding_limit_is_named() -> None:
    coarse = Chain(objective=4, numerical_aperture=0.1, sensor=Sensor(10.0, 640, 480), adapter=0.5)
    fine = Chain(objective=4, numerical_aperture=0.1, sensor=Sensor(1.0, 640, 480), adapter=1)
    assert any("the pixels are the limit: 10 um" in note for note in chain_notes(coarse))
    assert any("the optics are the limit: 2.75 um" in note for note in chain_notes(fine))
    values = {reading.key: reading.value.value for reading in chain_limits(fine)}
    assert values["sampling_distance"] == pytest.approx(0.5)
    assert values["sampling_distance_usual"] == pytest.approx(2.3 * 0.25)
    assert values["depth_of_field"] == pytest.approx(55 + 1 / (4 * 0.1))
