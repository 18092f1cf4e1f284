"""The array's outline and count, from one photo, or from a close-up and an overview together."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from tests.lattice.drawn_dies import drawn_die

from glassay.errors import NotMeasurable
from glassay.lattice import DiePicture, find_extent, measure_array
from glassay.lattice.formats import format_of
from glassay.quantity import Quantity

COUNT_TARGET = 0.005


def um(value: float, relative: float = 1e-4) -> Quantity:
    return Quantity.of(value, value * relative, "um/px", "slide")


@pytest.mark.parametrize("tilt", [0.0, 2.5])
def test_one_photo_of_a_small_array_counts_its_pixels(tilt: float) -> None:
    picture = drawn_die(5.3, pixels=(100, 72), tilt_deg=tilt, size=(680, 520))
    result = measure_array([DiePicture(picture)])
    assert result.columns is not None
    assert result.rows is not None
    # half of a pixel at either end is what a window smaller than its cell leaves open
    assert result.columns.value == pytest.approx(100, abs=1)
    assert result.rows.value == pytest.approx(72, abs=1)
    assert abs(result.columns.value - 100) <= result.columns.expanded
    assert abs(result.rows.value - 72) <= result.rows.expanded


def test_a_close_up_and_an_overview_count_what_neither_could_alone() -> None:
    near = DiePicture(drawn_die(7.0, tilt_deg=-6), um(0.2), name="near")
    far_light = drawn_die(0.7, pixels=(800, 600), size=(700, 560), tilt_deg=1, blur_px=1.2)
    far = DiePicture(far_light, um(2.0), name="far")
    for order in ((near, far), (far, near)):
        result = measure_array(order)
        assert result.pitch_x is not None
        assert result.columns is not None
        assert result.rows is not None
        assert result.megapixels is not None
        assert result.pitch_x.value == pytest.approx(1.4, rel=0.001)
        assert result.columns.value == pytest.approx(800, rel=COUNT_TARGET)
        assert result.rows.value == pytest.approx(600, rel=COUNT_TARGET)
        assert abs(result.columns.value - 800) <= result.columns.expanded
        assert result.megapixels.value == pytest.approx(0.48, rel=2 * COUNT_TARGET)
        found = result.findings()
        assert found["array_width"].quantity.value == pytest.approx(1120, rel=COUNT_TARGET)
        assert found["array_diagonal"].quantity.value == pytest.approx(1400, rel=COUNT_TARGET)


def test_without_pixel_sizes_an_overview_and_a_close_up_give_no_count_and_say_why() -> None:
    near = DiePicture(drawn_die(7.0))
    far = DiePicture(drawn_die(0.7, pixels=(800, 600), size=(700, 560), blur_px=1.2))
    result = measure_array([near, far])
    assert result.columns is None
    assert any("not counted" in note for note in result.notes)
    assert "optical_format" not in result.findings()


def test_an_even_margin_around_the_pixels_is_not_counted() -> None:
    """99 x 88 pixels, an even margin of five, other circuits beyond. Every fifth row of the blocks in
    which the lattice is sought shows none of it: their borders fall into step with its lines."""
    pitch, columns, rows, margin, (wide, high) = 5.7263, 99, 88, 28.0, (900, 700)
    rng = np.random.default_rng(1)
    x0, y0 = (wide - columns * pitch) / 2, (high - rows * pitch) / 2
    y, x = (np.mgrid[0 : 2 * high, 0 : 2 * wide] + 0.5) / 2
    sheet = rng.uniform(0.1, 0.8, (28, 36)).repeat(50, axis=0).repeat(50, axis=1)
    sheet[(np.abs(x - wide / 2) < wide / 2 - x0 + margin)
          & (np.abs(y - high / 2) < high / 2 - y0 + margin)] = 0.35  # fmt: skip
    u, v = (x - x0) / pitch, (y - y0) / pitch
    within = (u > 0) & (u < columns) & (v > 0) & (v < rows)
    sheet[within] = 0.15
    sheet[within & (np.abs(u % 1 - 0.5) < 0.34) & (np.abs(v % 1 - 0.5) < 0.34)] = 0.6
    soft = cv2.GaussianBlur(sheet.astype(np.float32), (0, 0), 1.2)
    seen = cv2.resize(soft, (wide, high), interpolation=cv2.INTER_AREA)
    result = measure_array([DiePicture(seen + rng.normal(0, 0.008, seen.shape).astype(np.float32))])
    assert result.columns is not None
    assert result.rows is not None
    assert result.columns.value == pytest.approx(columns, abs=result.columns.expanded)
    assert result.rows.value == pytest.approx(rows, abs=result.rows.expanded)


def test_pixels_that_lean_together_in_pairs_are_not_counted_as_half_as_many() -> None:
    pitch, columns, rows = 8.0, 60, 44
    y, x = (np.mgrid[0:900, 0:1200] + 0.5) / 2
    u, v = (x - 60) / pitch, (y - 49) / pitch
    column = np.floor(u)
    lean = np.where(column % 2 == 0, 0.7, -0.7) / pitch
    within = (u > 0) & (u < columns) & (v > 0) & (v < rows)
    cell = (np.abs(u - column - 0.5 - lean) < 0.3) & (np.abs(v % 1 - 0.5) < 0.3)
    sheet = np.where(within, np.where(cell, 0.5, 0.12), 0.4).astype(np.float32)
    soft = cv2.GaussianBlur(sheet, (0, 0), 2.0)
    result = measure_array([DiePicture(cv2.resize(soft, (600, 450), interpolation=cv2.INTER_AREA))])
    assert result.columns is None
    assert "columns" not in result.findings()
    assert any("twice the other" in note for note in result.notes)


def test_a_close_up_alone_says_that_the_extent_is_not_told() -> None:
    result = measure_array([DiePicture(drawn_die(8.0), um(0.25))])
    assert result.columns is None
    assert any("extent of the array is not told" in note for note in result.notes)


def test_no_photo_that_resolves_the_pixels_is_refused_with_each_photos_reason() -> None:
    far = drawn_die(0.7, pixels=(800, 600), size=(700, 560), blur_px=1.2)
    with pytest.raises(NotMeasurable, match=r"first: .*; second: "):
        measure_array([DiePicture(far, name="first"), DiePicture(far, name="second")])


def test_an_array_cut_off_by_the_picture_has_no_extent() -> None:
    with pytest.raises(NotMeasurable):
        find_extent(drawn_die(0.7, pixels=(1200, 600), size=(700, 560), blur_px=1.2))


def test_noise_has_no_extent() -> None:
    with pytest.raises(NotMeasurable):
        find_extent(np.random.default_rng(1).random((300, 400), dtype=np.float32))


@pytest.mark.parametrize(
    ("width_mm", "height_mm", "name"),
    # Sizes as sensor makers' data sheets print them beside the type (from memory)
    [(36.0, 24.0, "35 mm film"), (17.3, 13.0, "4/3 inch type"), (13.2, 8.8, "1 inch type"),
     (8.8, 6.6, "2/3 inch type"), (7.2, 5.35, "1/1.8 inch type"), (6.4, 4.8, "1/2 inch type"),
     (6.17, 4.55, "1/2.3 inch type"), (4.8, 3.6, "1/3 inch type"), (3.6, 2.7, "1/4 inch type"),
     (2.88, 2.16, "1/5 inch type"), (2.4, 1.8, "1/6 inch type")],
)  # fmt: skip
def test_formats_as_sensors_are_sold(width_mm: float, height_mm: float, name: str) -> None:
    assert format_of(float(np.hypot(width_mm, height_mm))) == name


def test_a_size_between_all_formats_is_given_no_name() -> None:
    assert format_of(0.5) is None
    assert format_of(120.0) is None
