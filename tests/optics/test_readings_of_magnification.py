"""Readings of magnification reproduce published and commonly used numbers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glassay.optics import Chain, Display, Sensor, chain_notes, chain_readings, readings
from glassay.quantity import Contribution, Quantity

INCH_MM = 25.4


def stated(chain: Chain, display: Display | None = None) -> dict[str, float]:
    return {reading.key: reading.value.value for reading in chain_readings(chain, display)}


def measured(value: float, unit: str, u: float = 0.0) -> Quantity:
    return Quantity.of(value, u, unit)


@pytest.mark.parametrize(
    ("zoom", "auxiliary", "total"),
    # Worked examples of the stereo formula in a microscopy supplier's article, 2014.
    [(4.0, 1.0, 40.0), (5.0, 0.3, 15.0)],
)
def test_stereo_chain_multiplies_to_the_published_totals(
    zoom: float, auxiliary: float, total: float
) -> None:
    found = stated(Chain(zoom=(zoom, zoom), auxiliary=auxiliary, eyepiece=10))
    assert found["visual_magnification_max"] == pytest.approx(total)
    assert found["visual_magnification_min"] == pytest.approx(total)


def test_one_position_of_a_zoom_is_told_once() -> None:
    fixed = chain_readings(Chain(zoom=(4.5, 4.5), eyepiece=10), None)
    told = [one.name for one in readings.without_repeats(fixed) if one.basis == "stated"]
    assert [name for name in told if name.startswith("visual")] == ["visual"]
    ranged = readings.without_repeats(chain_readings(Chain(zoom=(0.7, 4.5), eyepiece=10), None))
    assert {"visual, lowest", "visual, highest"} <= {one.name for one in ranged}


def test_stereo_zoom_with_two_times_auxiliary_spans_14x_to_90x() -> None:
    # common practice, no source
    found = stated(Chain(zoom=(0.7, 4.5), auxiliary=2, eyepiece=10))
    assert found["visual_magnification_min"] == pytest.approx(14)
    assert found["visual_magnification_max"] == pytest.approx(90)
    with_25x = stated(Chain(zoom=(0.7, 4.5), auxiliary=2, eyepiece=25))
    assert with_25x["visual_magnification_max"] == pytest.approx(225)


def test_half_auxiliary_halves_the_total_and_lengthens_the_working_distance() -> None:
    # common practice, no source
    plain = Chain(zoom=(0.7, 4.5), eyepiece=10)
    halved = Chain(zoom=(0.7, 4.5), auxiliary=0.5, eyepiece=10)
    for key, value in stated(plain).items():
        assert stated(halved)[key] == pytest.approx(value / 2)
    assert any("lengthens the working distance" in note for note in chain_notes(halved))


def test_fifty_times_objective_shows_thirty_six_divisions() -> None:
    # common practice, no source: 50x, 10x, field number 18 give 500x and a field of 0.36 mm,
    # which is 36 divisions of a 0.01 mm slide.
    found = stated(Chain(objective=50, eyepiece=10, field_number_mm=18))
    assert found["visual_magnification_max"] == pytest.approx(500)
    assert found["object_field"] == pytest.approx(360)
    assert found["object_field"] / 10 == pytest.approx(36)


@pytest.mark.parametrize(("magnification", "divisions"), [(225, 80), (500, 36)])
def test_divisions_in_view_agree_with_one_apparent_field(
    magnification: float, divisions: int
) -> None:
    # common practice, no source: at 225x about 80 divisions of 0.01 mm, at 500x about 36, both of
    # an apparent field of 180 mm.
    reading = readings.field_equivalent(measured(divisions * 10.0, "um"))
    assert reading.value.value == pytest.approx(magnification)
    assert "180 mm" in reading.definition


def test_active_width_of_a_sensor_is_pitch_times_columns() -> None:
    # common practice, no source: 3.4 um pixels and 640 columns make 2.18 mm.
    sensor = Sensor(pitch_um=3.4, columns=640)
    assert sensor.width_um == pytest.approx(2180, abs=5)
    assert Sensor(columns=640, stated_width_um=2176).pixel_pitch_um == pytest.approx(3.4)


def test_twenty_four_inch_display_is_531_mm_wide() -> None:
    # 24 in x 16 / sqrt(16^2 + 9^2), plain geometry.
    display = Display.from_diagonal(24 * INCH_MM)
    assert display.width_mm == pytest.approx(24 * INCH_MM * 16 / 337**0.5)
    square = Display.from_diagonal(24 * INCH_MM, 1000, 1000)
    assert square.width_mm == pytest.approx(24 * INCH_MM / 2**0.5)


def test_a_narrow_picture_fills_the_height_of_a_wide_display() -> None:
    display = Display.from_diagonal(24 * INCH_MM, 1920, 1080)
    assert display.shown_width_mm(1920, 1080) == pytest.approx(display.width_mm)
    assert display.shown_width_mm(640, 480) == pytest.approx(display.height_mm * 4 / 3)
    assert display.shown_width_mm(4000, 1000) == pytest.approx(display.width_mm)


def test_on_display_is_displayed_width_over_field_width() -> None:
    display = Display(500.0, 300.0)
    reading = readings.on_display(display, measured(2000.0, "um", 10.0), (1920, 1080))
    assert reading.value.value == pytest.approx(250)
    assert reading.value.relative == pytest.approx(0.005)


def test_on_sensor_is_the_same_whether_by_pixels_or_by_width() -> None:
    chain = Chain(sensor=Sensor(pitch_um=2.0, columns=1920, rows=1080))
    by_pixels = readings.on_sensor(chain, measured(0.5, "um/px"), 1920)
    # The same view saved at half the size: pixels at the object twice as large.
    resized = readings.on_sensor(chain, measured(1.0, "um/px"), 960)
    # A twofold digital zoom, saved at full size, covers half the sensor with half the field.
    zoomed = readings.on_sensor(chain, measured(0.25, "um/px"), 1920, digital_zoom=2)
    assert by_pixels is not None
    assert resized is not None
    assert zoomed is not None
    assert by_pixels.value.value == pytest.approx(4)
    assert resized.value.value == pytest.approx(4)
    assert zoomed.value.value == pytest.approx(4)
    assert readings.on_sensor(Chain(), measured(0.5, "um/px"), 1920) is None


def test_field_seen_through_an_eyepiece_gives_its_magnification_back() -> None:
    chain = Chain(objective=4, eyepiece=10, field_number_mm=20)
    narrow, _ = readings.object_field(chain) or pytest.fail("no field")
    reading = readings.visual_from_field(chain, narrow)
    assert reading is not None
    assert reading.value.value == pytest.approx(40)
    # 0.5 mm of rounding as a rectangle in 20 mm: 1.44 %
    assert reading.value.relative == pytest.approx(0.5 / 3**0.5 / 20)
    implied = readings.implied_field_number(chain, narrow)
    assert implied is not None
    assert implied.value == pytest.approx(20)
    assert readings.implied_field_number(Chain(zoom=(1, 4)), narrow) is None


def test_the_slide_cancels_between_two_fields_measured_on_it() -> None:
    slide = "reference object slide"
    one = Quantity(500.0, "um", (Contribution("slide", 5.0, identity=slide),))
    other = Quantity(2000.0, "um", (Contribution("slide", 20.0, identity=slide),))
    reading = readings.field_equivalent_to(one, other, 40.0, "the stereo")
    assert reading.value.value == pytest.approx(160)
    assert reading.value.u == pytest.approx(0, abs=1e-9)


def test_useful_range_of_an_aperture() -> None:
    # 500 NA to 1000 NA: microscopy textbooks and suppliers' handbooks alike.
    low, high = readings.useful_range(Quantity(0.25, "1"))
    assert (low.value, high.value) == (125, 250)
    beyond = Chain(objective=40, eyepiece=25, numerical_aperture=0.65)
    assert any("beyond the useful 650x" in note for note in chain_notes(beyond))


def test_aperture_and_cutoff_are_inverse() -> None:
    cutoff = Quantity.of(2 * 0.28 / 0.55, 0.01, "1/um")
    assert readings.aperture_from_cutoff(cutoff, 0.55).value == pytest.approx(0.28)


@given(st.floats(1, 1e5), st.floats(1, 1e5))
def test_field_equivalent_magnification_is_inverse_to_the_field(a: float, b: float) -> None:
    first = readings.field_equivalent(measured(a, "um")).value.value
    second = readings.field_equivalent(measured(b, "um")).value.value
    assert first / second == pytest.approx(b / a)


def test_every_reading_states_its_definition() -> None:
    chain = Chain(
        zoom=(0.7, 4.5), eyepiece=10, field_number_mm=20, adapter=0.5, numerical_aperture=0.1,
        sensor=Sensor(3.4, 640, 480),
    )  # fmt: skip
    found = chain_readings(chain, Display(500, 300))
    keys = [reading.key for reading in found]
    assert len(set(keys)) == len(keys)
    assert {"visual_magnification_min", "visual_magnification_max", "object_field"} <= set(keys)
    assert all(reading.definition and reading.basis == "stated" for reading in found)
    values = {reading.key: reading.value.value for reading in found}
    assert values["on_sensor_magnification_max"] == pytest.approx(4.5 * 0.5)
    assert values["camera_field"] == pytest.approx(2176 / 2.25)
    # A 4:3 picture on a display of 500 x 300 mm is 400 mm wide.
    assert values["on_display_magnification_max"] == pytest.approx(400_000 / (2176 / 2.25))
