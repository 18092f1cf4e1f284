"""A ruled scale is measured right however it lies, however it looks, and however it was shot."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from scipy.special import erf

from glassay.distortion import at_picture_corner
from glassay.errors import NotMeasurable
from glassay.imaging import srgb_to_linear
from glassay.scale import Division, Word, measure_scale
from glassay.scale.calibrate import calibrate
from glassay.simulate import Camera, Optics, Pose, RuledScale, capture
from tests.scale.drawn import (
    Picture,
    compressed,
    in_round_field,
    matplotlib_scale,
    on_screen,
    photographed,
    pillow_scale,
    with_dust,
    with_glare,
)

# Pillow rounds corners to 1/4 px here, so a drawn division is true to a few 1e-4 of itself.
DRAWN = 4e-4


def assert_division(
    picture: Picture, period: float, tolerance: float = DRAWN, word: Word = "none"
) -> None:
    result = measure_scale(picture, word=word)
    assert result.division.value == pytest.approx(period, rel=tolerance)
    assert result.pattern == "ruled"


@pytest.mark.parametrize("tilt", [0.0, 3.0, -12.0, 33.0, 45.0, -71.0, 88.0, 90.0])
def test_any_tilt(tilt: float) -> None:
    result = measure_scale(photographed(pillow_scale(32.0, tilt)))
    assert result.division.value == pytest.approx(32.0, rel=DRAWN)
    # 90 and -90 degrees are one direction
    assert abs((result.tilt.value - tilt + 90) % 180 - 90) < 0.05


@pytest.mark.parametrize("period", [6.0, 6.7, 9.0, 15.0, 24.5, 60.0, 95.0])
def test_any_period(period: float) -> None:
    lengths = (5.0, 7.5, 10.0) if period < 30 else (3.0, 4.0, 5.0)
    picture = pillow_scale(period, 2.0, lengths=lengths, line_width=0.3)
    assert_division(photographed(picture, blur=0.8), period)


@pytest.mark.parametrize("tilt", [0.0, -20.0])
def test_bright_lines_on_dark_ground(tilt: float) -> None:
    result = measure_scale(photographed(pillow_scale(30.0, tilt, ink=0.8, glass=0.05)))
    assert result.division.value == pytest.approx(30.0, rel=DRAWN)
    assert not result.dark_lines


@pytest.mark.parametrize(("period", "tilt"), [(22.0, 2.0), (25.6, -4.0), (13.0, 1.0)])
def test_a_cross_of_two_scales_with_a_base_line_through_the_middle(
    period: float, tilt: float
) -> None:
    arms = [
        pillow_scale(
            period, turn, lines=range(-30, 31), lengths=(1.6, 2.6, 4.0), centred=True,
            base_line=True, size=(1000, 800),
        )
        for turn in (tilt, tilt + 90)
    ]  # fmt: skip
    assert_division(photographed(np.minimum(*arms)), period)


@pytest.mark.parametrize(("raster", "contrast"), [(3.9, 0.5), (4.6, 0.4), (5.2, 0.4)])
def test_a_photo_of_a_screen_shows_the_scale_behind_the_raster(
    raster: float, contrast: float
) -> None:
    result = measure_scale(photographed(on_screen(pillow_scale(33.0, 3.0), raster, contrast)))
    assert result.division.value == pytest.approx(33.0, rel=DRAWN)
    assert any("raster" in note for note in result.notes)


@pytest.mark.parametrize("period", [4.2, 6.25, 7.4])
def test_fine_lines_all_over_the_photo_are_a_scale(period: float) -> None:
    picture = pillow_scale(period, 1.0, whole_field=True, lines=range(-130, 131), line_width=0.35)
    assert_division(photographed(picture, blur=0.7), period, word="filed")


def test_a_raster_alone_is_no_scale() -> None:
    blank = np.full((700, 900), 0.6, np.float32)
    with pytest.raises(NotMeasurable, match="raster"):
        measure_scale(photographed(on_screen(blank, 4.1, 0.4)))


@pytest.mark.parametrize("blur", [1.5, 2.0, 3.0])
def test_fifth_lines_are_not_taken_for_divisions_where_the_finer_ones_melt(blur: float) -> None:
    fine = pillow_scale(
        3.0, 3.0, lines=range(-140, 141), lengths=(20.0, 30.0, 40.0), line_width=0.3
    )
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(fine, blur=blur))


@pytest.mark.parametrize("distortion", [-0.1, -0.05, 0.05])
def test_strong_distortion_leaves_the_middle_right(distortion: float) -> None:
    picture = pillow_scale(25.0, 5.0, size=(1400, 900), middle=(0.0, 60.0))
    height, width = picture.shape
    y, x = np.mgrid[:height, :width].astype(np.float32)
    x, y = x - (width - 1) / 2, y - (height - 1) / 2
    square = (x**2 + y**2) / (math.hypot(width, height) / 2) ** 2
    shrunk = np.ones_like(square)
    for _ in range(30):  # from the distorted place to the true one
        shrunk = 1 / (1 + distortion * square * shrunk**2)
    mapped = (x * shrunk + (width - 1) / 2, y * shrunk + (height - 1) / 2)
    bent = cv2.remap(picture, *mapped, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    result = measure_scale(photographed(np.asarray(bent, np.float32)))
    assert abs(result.division.value - 25.0) < max(result.division.expanded, 25.0 * DRAWN)
    if abs(distortion) < 0.1:  # beyond, part of it is taken for a slide seen askew
        assert result.distortion == pytest.approx(distortion, rel=0.1)


def test_four_lines_are_enough_where_a_person_points() -> None:
    lines = range(-1, 3)
    picture = photographed(pillow_scale(150.0, 5.0, lines=lines, lengths=(2.0, 2.0, 2.0)))
    with pytest.raises(NotMeasurable, match="4 where a box points"):
        measure_scale(picture)
    result = measure_scale(picture, box=(10, 10, 880, 580))
    assert result.division.value == pytest.approx(150.0, rel=DRAWN)


def test_matplotlib_draws_the_same_division() -> None:
    assert_division(photographed(matplotlib_scale(30.0)), 30.0, 1e-4)


def test_lines_seen_only_by_their_two_edges_count_once() -> None:
    picture = pillow_scale(36.0, 4.0, line_width=0.5, edges_only=True)
    assert_division(photographed(picture), 36.0)


def test_lines_as_wide_as_their_gaps() -> None:
    assert_division(photographed(pillow_scale(36.0, 4.0, line_width=0.5)), 36.0)


def test_lines_that_fill_the_whole_field() -> None:
    picture = photographed(pillow_scale(70.0, -3.0, whole_field=True, line_width=0.4))
    assert_division(picture, 70.0, word="filed")


def test_lines_all_of_one_length() -> None:
    picture = photographed(pillow_scale(25.0, 5.0, lengths=(4.0, 4.0, 4.0)))
    result = measure_scale(picture, word="filed")
    assert result.division.value == pytest.approx(25.0, rel=DRAWN)
    assert result.hierarchy.every == 0


def test_the_pattern_of_longer_lines_is_read() -> None:
    result = measure_scale(photographed(pillow_scale(20.0, 2.0)))
    assert (result.hierarchy.every, result.hierarchy.longest_every) == (5, 10)


def test_a_scale_partly_out_of_view_and_off_the_middle() -> None:
    picture = pillow_scale(22.0, 15.0, lines=range(5, 40), middle=(-120, 130))
    assert_division(photographed(picture), 22.0)


def test_a_small_scale_in_a_large_photo() -> None:
    picture = pillow_scale(12.0, 50.0, lines=range(22), middle=(150, 80), lengths=(4, 6, 8))
    assert_division(photographed(picture), 12.0)


def test_dust_glare_a_base_line_and_heavy_compression() -> None:
    picture = with_glare(with_dust(pillow_scale(32.0, 8.0, base_line=True), 40))
    assert_division(compressed(photographed(picture), 40), 32.0, 1e-3)


def test_soft_focus() -> None:
    assert_division(photographed(pillow_scale(30.0, 3.0), blur=7.0, noise=0.004), 30.0, 1e-3)


def test_faint_lines_in_noise() -> None:
    picture = photographed(pillow_scale(30.0, 3.0, ink=0.6), noise=0.06)
    assert_division(picture, 30.0, 1e-3)


def test_only_every_fifth_line_in_view_is_said() -> None:
    """When the short lines are missing, every second of those that are left is longer."""
    lines = [n for n in range(-60, 61) if n % 5 == 0]
    picture = photographed(pillow_scale(8.0, 2.0, lines=lines, lengths=(9, 12, 18)))
    with pytest.raises(NotMeasurable, match="no longer 5th or 10th"):
        measure_scale(picture)
    result = measure_scale(picture, word="said")
    assert result.division.value == pytest.approx(40.0, rel=DRAWN)
    assert any("every second line is longer" in note for note in result.notes)


def test_round_field_gives_its_diameter() -> None:
    picture = in_round_field(photographed(pillow_scale(18.0, 10.0)), 500.0)
    result = measure_scale(picture)
    assert result.division.value == pytest.approx(18.0, rel=DRAWN)
    assert result.field_stop is not None
    assert result.field_stop.diameter == pytest.approx(500.0, abs=2.0)
    found = calibrate(result, Division(10.0, 0.0))
    assert found.field_diameter is not None
    assert found.field_diameter.value == pytest.approx(500 / 18 * 10, rel=0.005)
    assert found.divisions_across.value == pytest.approx(500 / 18, rel=0.005)


def test_a_vignetted_rectangular_photo_has_no_round_field() -> None:
    picture = photographed(pillow_scale(30.0))
    height, width = picture.shape
    y, x = np.mgrid[0:height, 0:width]
    fall = 1 - 0.7 * ((x - width / 2) ** 2 + (y - height / 2) ** 2) / (width**2 / 4)
    result = measure_scale((picture * np.clip(fall, 0.2, 1)).astype(np.float32))
    assert result.field_stop is None


def test_a_box_points_at_the_scale() -> None:
    picture = photographed(pillow_scale(20.0, 0.0, lines=range(-10, 11), middle=(100, 50)))
    result = measure_scale(picture, box=(250, 200, 600, 300))
    assert result.division.value == pytest.approx(20.0, rel=DRAWN)
    x = result.segments[:, [0, 2]].mean(axis=1)
    assert x.min() > 250  # in px of the whole photo
    assert np.diff(np.sort(x)) == pytest.approx(20.0, abs=0.2)


def test_distortion_is_seen_and_the_axis_is_reported() -> None:
    """Barrel distortion of 2 % at the corner, made by OpenCV's remap (Brown's radial model)."""
    plain = pillow_scale(20.0, 0.0, size=(1000, 700), line_width=0.25)
    height, width = plain.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    cx, cy = (width - 1) / 2, (height - 1) / 2
    # picture radius r shows the object at r (1 + 0.02 (r / corner)^2): barrel
    r2 = ((x - cx) ** 2 + (y - cy) ** 2) / (math.hypot(width, height) / 2) ** 2
    map_x, map_y = cx + (x - cx) * (1 + 0.02 * r2), cy + (y - cy) * (1 + 0.02 * r2)
    bent = cv2.remap(plain, map_x.astype(np.float32), map_y.astype(np.float32), cv2.INTER_CUBIC,
                     borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    result = measure_scale(photographed(bent.astype(np.float32)))
    assert result.curved
    assert result.division.value == pytest.approx(20.0, rel=6e-4)
    assert result.distortion == pytest.approx(-0.02, abs=0.001)
    # With r_d = 1 and k1 = -0.02 alone, r_u is 1.0213 (by hand).
    assert at_picture_corner(-0.02) == pytest.approx(1 / 1.0213 - 1, abs=1e-4)
    # Told is (r_d - r_u) / r_u at the picture's corner, which shows here what lies at 1.02.
    corner = at_picture_corner(result.distortion, result.distortion_2)
    assert corner == pytest.approx(1 / 1.02 - 1, abs=4e-4)
    (told,) = (note for note in result.notes if "lens distortion of" in note)
    assert f"{corner:+.2%} at the corner of the picture" in told
    # The edges of the field lie at 1000 / 1221 of the corner's radius.
    field = calibrate(result, Division(10.0, 0.0)).field_width
    assert field.value == pytest.approx(500 * (1 + 0.02 * (1000 / 1220.7) ** 2), rel=5e-4)


def exact_scale(period: float) -> Picture:
    """A level scale of lines blurred by a Gaussian of 1 px, integrated exactly (error function)."""
    x = np.arange(600.0)
    cover = np.zeros(600)
    for n in range(1, int(600 / period)):
        left, right = n * period + 0.31 - 2.5, n * period + 0.31 + 2.5
        cover += 0.5 * (erf((x - left) / math.sqrt(2)) - erf((x - right) / math.sqrt(2)))
    picture = np.full((300, 600), 0.8)
    picture[90:210] -= 0.65 * cover
    return picture.astype(np.float32)


def test_the_interval_is_honest_on_repeated_noise() -> None:
    """The scatter of repeated measurements agrees with the uncertainty of the fit."""
    plain = exact_scale(23.7)
    values, stated = [], []
    for seed in range(12):
        division = measure_scale(
            photographed(plain, blur=0, noise=0.05, seed=seed), word="filed"
        ).division
        values.append(division.value)
        stated.append(next(p.u for p in division.contributions if p.source.startswith("fit")))
    # 12 values: their standard deviation is known to 20 %; a factor of 2 is five of those
    assert 0.5 < np.std(values, ddof=1) / np.mean(stated) < 2.0
    assert np.mean(values) == pytest.approx(23.7, rel=1e-4)


@pytest.mark.parametrize("dtype_scale", [1.0, 255.0, 65535.0, 1e-4])
def test_the_scale_of_stored_values_does_not_matter(dtype_scale: float) -> None:
    picture = photographed(pillow_scale(30.0, 3.0)) * np.float32(dtype_scale)
    assert_division(picture.astype(np.float32), 30.0)


def test_counting_by_eye_a_hundredth_millimetre_slide() -> None:
    """A 0.36 mm field shows 36 divisions of a 0.01 mm slide (common practice, no source)."""
    pixel = 360.0 / 900  # um/px: 900 px over 0.36 mm
    found = calibrate(
        measure_scale(photographed(pillow_scale(10 / pixel, 0.0))), Division.uncertified(10.0)
    )
    assert found.field_width.value == pytest.approx(360.0, rel=1e-3)
    assert found.divisions_across.value == pytest.approx(36.0, rel=1e-3)


def test_the_slide_enters_once_and_is_named() -> None:
    result = measure_scale(photographed(pillow_scale(30.0)))
    assumed = calibrate(result, Division.uncertified(10.0)).pixel_size
    assert assumed.contributions[0].source == "slide tolerance (assumed)"
    # plus or minus 0.2 %, rectangular (JCGM 100:2008, 4.3.7): 0.2 % / sqrt(3)
    assert assumed.contributions[0].u / assumed.value == pytest.approx(
        0.002 / math.sqrt(3), rel=1e-3
    )
    stated = calibrate(result, Division(10.0, 0.001)).pixel_size
    assert stated.u < assumed.u


def test_too_few_lines_are_refused() -> None:
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(pillow_scale(40.0, lines=range(4))))


def test_lines_too_close_to_the_pixels_are_refused() -> None:
    picture = pillow_scale(2.9, 4.0, lengths=(12, 18, 24), line_width=0.4)
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(picture, blur=0.5, noise=0.003))


def test_lines_at_random_places_are_refused() -> None:
    rng = np.random.default_rng(5)
    picture = np.full((400, 800), 0.8, np.float32)
    for x in rng.uniform(20, 780, 40):
        picture[120:280, int(x) : int(x) + 4] = 0.1
    with pytest.raises(NotMeasurable):
        measure_scale(photographed(picture))


def test_a_level_scale_half_a_pixel_off_a_whole_period_is_not_counted_by_twos() -> None:
    # Every second line then falls on the pixels alike, and the two kinds look unlike.
    scene = RuledScale(divisions=28, line_width_um=2.0, numeral_every=0)
    camera = Camera(width=320, height=240, colour="grey", jpeg_quality=None)
    for seed in range(6):
        pose = Pose(10 / 9.5, 0.0, (0.35 * seed, 0.0))
        shot = capture(scene, pose, Optics(na=0.3), camera, seed=seed)
        light = srgb_to_linear(shot.stored / 255.0).astype(np.float32)
        assert measure_scale(light).division.value == pytest.approx(9.5, rel=0.01)


def brickwork() -> np.ndarray:
    """Courses of bricks 24 px long, drawn apart from the simulator."""
    wall = np.full((480, 640), 0.5, np.float32)
    for row in range(24):
        wall[row * 20 : row * 20 + 2] = 0.85
        for x in range(-24 + 12 * (row % 2), 640, 24):
            wall[row * 20 : row * 20 + 20, max(0, x) : x + 2] = 0.85
    return photographed(wall)


def test_bricks_are_no_scale() -> None:
    with pytest.raises(NotMeasurable):
        measure_scale(brickwork())


def test_lines_without_longer_ones_are_told_on_somebodys_word_and_with_a_note() -> None:
    picture = photographed(pillow_scale(18.0, 0.0, lines=range(-12, 13), lengths=(3.0, 3.0, 3.0)))
    with pytest.raises(NotMeasurable, match="pattern: ruled"):
        measure_scale(picture)
    for told in (
        measure_scale(picture, word="filed"),
        measure_scale(picture, word="said"),
        measure_scale(picture, box=(150, 150, 600, 300)),
    ):
        assert told.division.value == pytest.approx(18.0, rel=0.01)
        assert any("no longer 5th or 10th" in note for note in told.notes)


def test_one_longer_line_tells_a_scale_where_the_next_would_be_out_of_view() -> None:
    picture = pillow_scale(95.0, 2.0, lengths=(3.0, 4.0, 5.0), line_width=0.3)
    result = measure_scale(photographed(picture, blur=0.8))
    assert result.hierarchy.kind == "lone"
    assert result.division.value == pytest.approx(95.0, rel=DRAWN)


def test_longer_lines_that_leave_the_view_count_as_longer() -> None:
    picture = pillow_scale(30.0, 2.0, lengths=(12.0, 60.0, 60.0))
    result = measure_scale(photographed(picture))
    assert result.hierarchy.every == 5
    assert result.division.value == pytest.approx(30.0, rel=DRAWN)


@pytest.mark.parametrize("width", [0.44, 0.5, 0.56])
@pytest.mark.parametrize("period", [24.5, 34.5, 47.0])
def test_odd_harmonics_of_thick_sharp_lines_are_no_finer_lines(period: float, width: float) -> None:
    picture = pillow_scale(period, 1.0, lengths=(4.0, 4.0, 4.0), line_width=width)
    assert_division(photographed(picture, blur=0.3), period, 1e-3, word="said")


@pytest.mark.parametrize(
    ("strokes", "period", "soft", "depth"),
    [
        (2, 21.0, 0.8, 0.35),
        (3, 21.0, 0.8, 0.35),
        (3, 16.3, 2.0, -0.04),  # the boundaries alone stand out, and hide much of what they cross
    ],
)
def test_a_counting_chamber_is_told_by_its_boundary_lines(
    strokes: int, period: float, soft: float, depth: float
) -> None:
    """Every 4th line of several strokes, as chambers are ruled."""
    sheet = np.zeros((480, 640), np.float32)
    turned = [np.zeros_like(sheet), np.zeros_like(sheet)]
    y, x = np.mgrid[:480, :640].astype(np.float32)
    c, s = math.cos(math.radians(3)), math.sin(math.radians(3))
    for axis, (field, along) in enumerate(zip(turned, (x * c + y * s, y * c - x * s), strict=True)):
        n = np.rint(along / period - 0.3 * axis)
        off = along - (n + 0.3 * axis) * period
        apart = (np.arange(strokes) - (strokes - 1) / 2) * 0.13 * period
        lines = np.exp(-0.5 * (off / soft) ** 2)
        many = sum(np.exp(-0.5 * ((off - one) / soft) ** 2) for one in apart)
        field[:] = np.where(n % 4 == 0, many, lines)
    sheet = 0.4 + depth * np.clip(np.maximum(*turned), 0, 1.5)
    result = measure_scale(photographed(sheet.astype(np.float32), blur=0.5))
    assert (result.hierarchy.kind, result.hierarchy.every) == ("crossed", 4)
    assert result.division.value == pytest.approx(period, rel=1e-3)


def test_a_frame_around_the_photo_is_no_field() -> None:
    """0.8 mm in a frame passed for 1 mm."""
    photo = photographed(pillow_scale(20.0, 2.0), noise=0.01)
    around = cv2.copyMakeBorder(photo, 60, 60, 90, 90, cv2.BORDER_CONSTANT, value=1.0)
    bare, framed = (
        calibrate(measure_scale(one), Division.uncertified(10.0)) for one in (photo, around)
    )
    assert bare.field_width is not None
    assert framed.pixel_size.value == pytest.approx(bare.pixel_size.value, rel=1e-3)
    assert not {"field_width", "field_height", "divisions_across"} & set(framed.findings())
    assert framed.findings()["even_rim"].quantity.value == 90
    assert any("90 px at the left, 60 px at the top" in note for note in framed.notes)
