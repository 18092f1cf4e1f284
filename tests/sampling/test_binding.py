"""What binds: the lowest limit that the detail comes near to, in words."""

from __future__ import annotations

import pytest

from glassay.quantity import Quantity
from glassay.sampling import detail_equivalent_pixels, what_binds


def cycles(value: float) -> Quantity:
    return Quantity.of(value, 0.01 * value, "cycles/px")


def test_detail_at_the_nyquist_frequency_needs_every_pixel():
    count = detail_equivalent_pixels(4000, 3000, cycles(0.5), cycles(0.5))
    assert count.value == pytest.approx(12e6)
    assert count.relative == pytest.approx(0.01 * 2**0.5, rel=1e-3)


def test_half_the_frequency_needs_a_quarter_of_the_pixels():
    count = detail_equivalent_pixels(4000, 3000, cycles(0.25), cycles(0.25))
    assert count.value == pytest.approx(3e6)


def test_interpolation_binds_an_enlarged_sharp_picture():
    found = what_binds(3840, 2160, (cycles(0.22), cycles(0.22)), enlargement=(2.0, 2.0))
    assert found.cause == "interpolation"
    assert "8.3 million" in found.sentence


def test_a_soft_picture_is_told_in_words_a_buyer_understands():
    found = what_binds(3840, 2160, (cycles(0.11), cycles(0.11)))
    assert "the file has 8.3 million pixels; the detail in it would fit in 0.40 million" in (
        found.sentence
    )


def test_optics_bind_at_their_cutoff():
    # NA 0.1 at 0.55 um passes 0.364 cycles/um (2 NA / wavelength), at 0.5 um/px 0.182 cycles/px.
    found = what_binds(
        4000, 3000, (cycles(0.15), cycles(0.15)), enlargement=(1.0, 1.0),
        optics_cutoff=Quantity(0.2 / 0.55, "cycles/um"), pixel_size=Quantity(0.5, "um/px"),
    )  # fmt: skip
    assert found.cause == "optics"
    assert found.limits[0].frequency == pytest.approx(0.1818, abs=1e-4)


def test_focus_binds_when_no_known_limit_is_reached():
    found = what_binds(
        4000, 3000, (cycles(0.05), cycles(0.05)), enlargement=(1.0, 1.0),
        optics_cutoff=Quantity(0.4, "cycles/um"), pixel_size=Quantity(0.5, "um/px"),
    )  # fmt: skip
    assert found.cause == "focus"


def test_unequal_directions_are_motion():
    assert what_binds(4000, 3000, (cycles(0.08), cycles(0.2))).cause == "motion"


def test_pixels_bind_a_sharp_native_picture_and_sharpening_is_named():
    found = what_binds(
        1000, 800, (cycles(0.45), cycles(0.44)), enlargement=(1.0, 1.0), overshoot=0.2
    )
    assert found.cause == "sampling"
    assert any("sharpening" in note for note in found.notes)


def test_what_repeats_beyond_the_native_limit_is_not_counted_as_detail():
    found = what_binds(4000, 3000, (cycles(0.5), cycles(0.5)), enlargement=(2.0, 2.0))
    assert found.detail_pixels.value == pytest.approx(3e6)


def test_processing_binds_where_noise_is_cut():
    found = what_binds(4000, 3000, (cycles(0.2), cycles(0.2)), noise_reach=0.22)
    assert found.cause == "processing"
