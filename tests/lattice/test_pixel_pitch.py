"""The pitch of whatever repeats: pixels under a mosaic or none, pads, lines; and what is refused."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import data
from skimage.filters import gaussian
from tests.distorted_scenes import CORNER_BOX, EDGE_BOX, photographed_lattice
from tests.lattice.drawn_dies import Picture, drawn_die

from glassay.errors import NotMeasurable
from glassay.imaging import Photo
from glassay.imaging.tone import LUMINANCE_WEIGHTS
from glassay.lattice import DiePicture, measure_array, measure_lattice
from glassay.quantity import Quantity

TARGET = 0.001


@pytest.mark.parametrize("tilt", [0.0, 5.0, -12.0, 33.0, 45.0])
def test_pitch_under_a_colour_mosaic_is_that_of_single_pixels(tilt: float) -> None:
    found = measure_lattice(drawn_die(6.37, tilt_deg=tilt))
    assert found.pitch_x is not None
    assert found.pitch_y is not None
    assert found.pitch_x.value == pytest.approx(6.37, rel=TARGET)
    assert found.pitch_y.value == pytest.approx(6.37, rel=TARGET)
    assert found.mosaic == 2
    findings = found.findings()
    assert findings["mosaic_period_x"].quantity.value == pytest.approx(2 * 6.37, rel=TARGET)
    assert any("colour mosaic" in note for note in found.notes)


@pytest.mark.parametrize("tilt", [0.0, 7.0, -20.0])
def test_pixels_without_a_mosaic_are_not_halved(tilt: float) -> None:
    found = measure_lattice(drawn_die(9.21, tilt_deg=tilt, coloured=False))
    assert found.mosaic == 1
    assert found.pitch_x is not None
    assert found.pitch_x.value == pytest.approx(9.21, rel=TARGET)
    assert "mosaic_period_x" not in found.findings()


def test_no_mosaic_is_told_without_colours_and_one_that_is_stated_is_believed() -> None:
    grey = drawn_die(6.37, tilt_deg=2, blur_px=2.2) @ np.array(LUMINANCE_WEIGHTS, np.float32)
    for picture in (grey, np.repeat(grey[..., None], 3, axis=2)):
        assert "say whether there is a mosaic" in refused(picture)
        found = measure_lattice(picture, mosaic="colour")
        assert found.pitch_x is not None
        assert found.mosaic == 2
        assert found.pitch_x.value == pytest.approx(6.37, rel=TARGET)


def test_cells_that_alternate_in_brightness_have_the_pitch_of_cells_and_no_mosaic() -> None:
    cells = np.full((400, 480), 0.1, np.float32)
    for row, y in enumerate(range(3, 380, 13)):
        for column, x in enumerate(range(3, 460, 13)):
            cells[y : y + 9, x : x + 9] = 0.7 - 0.3 * ((row + column) % 2)
    found = measure_lattice(np.asarray(cv2.GaussianBlur(cells, (0, 0), 0.8)))
    assert found.pitch_x is not None
    assert found.pitch_x.value == pytest.approx(13, rel=TARGET)
    assert "mosaic_period_x" not in found.findings()
    assert any("two kinds" in note for note in found.notes)


def test_the_stripes_of_a_screen_are_no_mosaic() -> None:
    screen = np.full((400, 480, 3), 0.05, np.float32)
    for y in range(0, 400, 18):
        for colour in range(3):
            for x in range(0, 468, 18):
                screen[y : y + 15, x + 6 * colour : x + 6 * colour + 5, colour] = 0.8
    found = measure_lattice(np.asarray(cv2.GaussianBlur(screen, (0, 0), 0.9)))
    assert found.pitch_x is not None
    assert found.pitch_y is not None
    assert found.pitch_x.value == pytest.approx(18, rel=TARGET)
    assert found.pitch_y.value == pytest.approx(18, rel=TARGET)
    assert "mosaic_period_x" not in found.findings()


@pytest.mark.parametrize("turn_deg", [0.0, 8.0, 90.0])
def test_a_hexagonal_lattice_has_one_pitch_from_neighbour_to_neighbour(turn_deg: float) -> None:
    a, (y, x) = 14.3, np.mgrid[0:400, 0:480].astype(np.float64)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    x, y = c * x + s * y, c * y - s * x
    light = np.full(x.shape, 0.1, np.float32)
    for shift in (0.0, 0.5):  # two rectangular lattices, a by a sqrt(3), make the hexagonal one
        u, v = (x / a + shift) % 1 - 0.5, (y / (a * 3**0.5) + shift) % 1 - 0.5
        light[u**2 + 3 * v**2 < 0.1] = 0.7
    found = measure_lattice(np.asarray(cv2.GaussianBlur(light, (0, 0), 0.8)))
    assert found.pitch_x is not None
    assert found.pitch_y is not None
    assert found.pitch_x.value == pytest.approx(a, rel=TARGET)
    assert found.pitch_y.value == pytest.approx(a, rel=TARGET)
    assert any("hexagonal" in note for note in found.notes)
    # rows of a hexagonal lattice lie cos 30 deg of a step apart (geometry)
    across = "column_spacing" if turn_deg == 90 else "row_spacing"
    along = "row_spacing" if turn_deg == 90 else "column_spacing"
    spacing = {key: one.quantity.value for key, one in found.findings().items() if "spacing" in key}
    assert spacing[across] == pytest.approx(a * np.cos(np.pi / 6), rel=TARGET)
    assert spacing[along] == pytest.approx(a, rel=TARGET)


@pytest.mark.parametrize("tilt", [-12.0, -3.0, 0.0, 5.0])
@pytest.mark.parametrize("upright", [False, True])
def test_the_tilt_of_a_hexagonal_lattice_is_that_of_its_rows(tilt: float, upright: bool) -> None:
    """Sites in straight rows, or in straight columns (`upright`): what is level in the first is plumb
    in the second, and both are tilted as they were drawn."""
    a, (y, x) = 12.34, np.mgrid[0:360, 0:400].astype(np.float64)
    turn = np.radians(tilt + (90 if upright else 0))
    x, y = np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x
    row = np.rint(y / (a * 3**0.5 / 2))
    u = x / a - 0.5 * (row % 2)
    on = (np.abs(u - np.rint(u)) < 0.28) & (np.abs(y / (a * 3**0.5 / 2) - row) < 0.28)
    light = cv2.GaussianBlur(np.where(on, 0.5, 0.12).astype(np.float32), (0, 0), 1.0)
    found = measure_lattice(light)
    assert found.hexagonal
    assert found.tilt_deg == pytest.approx(tilt, abs=0.05)


def test_oblong_pixels_have_two_pitches() -> None:
    found = measure_lattice(drawn_die((6.0, 7.5), tilt_deg=-3))
    assert found.pitch_x is not None
    assert found.pitch_y is not None
    assert found.pitch_x.value == pytest.approx(6.0, rel=TARGET)
    assert found.pitch_y.value == pytest.approx(7.5, rel=TARGET)


def test_tilt_is_clockwise_as_seen() -> None:
    assert measure_lattice(drawn_die(8, tilt_deg=4.2)).tilt_deg == pytest.approx(4.2, abs=0.05)


def test_the_interval_holds_the_truth_over_many_pitches() -> None:
    held = []
    for index, pitch in enumerate(np.geomspace(4.5, 14, 8)):
        found = measure_lattice(drawn_die(float(pitch), size=(420, 320), tilt_deg=3, seed=index))
        assert found.pitch_x is not None
        held.append(abs(found.pitch_x.value - pitch) <= found.pitch_x.expanded)
    assert sum(held) >= 7


def test_a_pitch_in_um_carries_the_pixel_size() -> None:
    picture = DiePicture(drawn_die(7.0), Quantity.of(0.3, 0.0015, "um/px", "slide"))
    pitch = measure_array([picture]).findings()["pitch_x"].quantity
    assert pitch.unit == "um"
    assert pitch.value == pytest.approx(2.1, rel=TARGET)
    assert pitch.relative == pytest.approx(0.005, rel=0.05)


def test_bond_pads_on_a_die_have_their_pitch_in_both_directions() -> None:
    picture = np.full((500, 700), 0.15, np.float32)
    for x in range(20, 680, 37):
        for y in range(15, 480, 43):
            picture[y : y + 26, x : x + 22] = 0.8
    found = measure_lattice(np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.2)))
    assert found.pitch_x is not None
    assert found.pitch_y is not None
    # some fifteen periods in all, and the outermost blocks hold half pads: twice the target
    assert found.pitch_x.value == pytest.approx(37, rel=2 * TARGET)
    assert found.pitch_y.value == pytest.approx(43, rel=2 * TARGET)


def test_a_lattice_made_by_scikit_image_has_its_own_pitch() -> None:
    # impulses through that library's Gaussian filter
    dots = np.zeros((500, 500))
    dots[4::11, 4::13] = 1
    light = gaussian(dots, 2.0)
    found = measure_lattice((0.1 + 0.6 * light / light.max()).astype(np.float32))
    assert found.pitch_x is not None
    assert found.pitch_y is not None
    assert found.pitch_x.value == pytest.approx(13, rel=TARGET)
    assert found.pitch_y.value == pytest.approx(11, rel=TARGET)


# ---- refusals ------------------------------------------------------------------------------------


def refused(picture: Picture) -> str:
    with pytest.raises(NotMeasurable) as error:
        measure_lattice(picture)
    return str(error.value)


def test_blur_is_measured_through_until_the_lattice_is_lost_and_then_said() -> None:
    reasons = []
    for blur in (1.0, 2.5, 4.0, 7.0, 12.0):
        try:
            found = measure_lattice(drawn_die(7.3, blur_px=blur))
        except NotMeasurable as error:
            reasons.append(str(error))
            continue
        assert not reasons, "a sharper photo was refused"
        assert found.pitch_x is not None
        assert found.pitch_x.value == pytest.approx(7.3, rel=TARGET)
    assert 1 <= len(reasons) <= 3
    assert all("closer" in reason for reason in reasons)


@pytest.mark.parametrize("pitch", [0.61, 0.77, 0.93])
def test_a_mosaic_beyond_the_sampling_limit_is_refused(pitch: float) -> None:
    # the mosaic's period of two pixels is below two px: whatever is seen of it is moire
    assert "closer photo" in refused(drawn_die(pitch, blur_px=0, tilt_deg=2))


@pytest.mark.parametrize("pitch", [1.07, 1.3, 1.71])
def test_single_pixels_beyond_the_sampling_limit_are_refused(pitch: float) -> None:
    refused(drawn_die(pitch, blur_px=0, tilt_deg=2, coloured=False))


@pytest.mark.parametrize(
    "name", ["astronaut", "brick", "camera", "coins", "grass", "gravel", "page", "text", "moon"]
)
def test_photographs_of_other_things_hold_no_lattice(name: str) -> None:
    refused(Photo(Path(name), getattr(data, name)(), "srgb").linear_light())


@pytest.mark.parametrize("height", [400, 300])
def test_the_letters_and_lines_of_a_page_of_type_are_no_lattice(height: int) -> None:
    page = cv2.resize(data.page(), (480, height))  # a photograph shipped with scikit-image
    with pytest.raises(NotMeasurable, match="too uneven"):
        measure_lattice(Photo(Path("page"), page, "srgb").linear_light())


def test_noise_holds_no_lattice() -> None:
    noise = np.random.default_rng(3).random((400, 500), dtype=np.float32)
    refused(noise)


def test_a_single_shade_says_so() -> None:
    assert "single shade" in refused(np.full((200, 300), 0.4, np.float32))


@pytest.mark.parametrize("shape", [(1, 1), (1, 9000), (9000, 7), (20, 900), (60, 60)])
def test_pieces_too_small_for_a_lattice(shape: tuple[int, int]) -> None:
    assert "too small" in refused(np.ones(shape, np.float32))


def test_pixels_turned_halfway_in_a_grey_photo_are_not_guessed() -> None:
    # without colours, pixels turned by 35 degrees and a mosaic's green ones turned by 10 look alike
    grey = drawn_die(9.0, tilt_deg=35, coloured=False).mean(axis=2)
    assert "say whether there is a mosaic" in refused(grey)
    told = measure_lattice(grey, mosaic="none")
    assert told.pitch_x is not None
    assert told.pitch_x.value == pytest.approx(9.0, rel=TARGET)


@pytest.mark.parametrize("k", [-0.03, -0.005, 0.0])
def test_a_box_in_a_corner_gives_the_pitch_on_the_lens_axis(k: float) -> None:
    light = photographed_lattice("cells", k, pitch=6.37)
    photo = Photo(Path("die.tif"), light, "linear")
    for box in (CORNER_BOX, EDGE_BOX):
        part = photo.crop(box)
        found = measure_lattice(part.stored, mosaic="none", frame=part.frame)
        assert found.pitch_x is not None
        assert found.pitch_y is not None
        for pitch in (found.pitch_x, found.pitch_y):
            assert pitch.value == pytest.approx(6.37, rel=TARGET)
            # 95 % intervals may miss one truth in twenty; 1.5 times as wide, one in 300 (normal)
            assert abs(pitch.value - 6.37) < 1.5 * pitch.expanded
