"""The virtual bench obeys the laws of optics."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from glassay.simulate import (
    Camera,
    Chessboard,
    CrossedGrid,
    Die,
    Edge,
    FlatField,
    Lighting,
    Optics,
    Pose,
    RuledScale,
    defocused_transfer,
    expected,
    truth_of,
)

GREY = Camera(width=320, height=240, colour="grey", exposure=1.0)
SHARP = Optics(na=0.9)


def measured_response(
    picture: np.ndarray, lean_deg: float, height: float
) -> tuple[np.ndarray, np.ndarray]:
    """Response from a noiseless slanted edge: bin by distance, differentiate, transform.

    Normalised by the edge's true height, since diffraction spreads some of it beyond the window.
    """
    rows, columns = np.indices(picture.shape)
    angle = math.radians(lean_deg)
    x, y = columns - (picture.shape[1] - 1) / 2, rows - (picture.shape[0] - 1) / 2
    distance = x * math.cos(angle) - y * math.sin(angle)
    bins = np.rint(distance * 8).astype(int)
    near = np.abs(bins) <= 8 * 40
    index = bins[near] + 8 * 40
    count = np.bincount(index)
    profile = np.bincount(index, picture[near]) / count
    line = np.gradient(profile)
    spectrum = np.abs(np.fft.rfft(line))
    f = np.fft.rfftfreq(line.size, 1 / 8)
    # central difference over 1/4 px, and the width of the bins
    correction = np.sinc(f / 4) * np.sinc(f / 8)
    return f[f < 0.5], (spectrum / height / correction)[f < 0.5]


def test_a_clear_round_pupil_has_the_textbook_transfer() -> None:
    # Goodman, Introduction to Fourier Optics, section 6.3: value at half the cut-off is
    # (2/pi)(pi/3 - sqrt(3)/4)
    n = np.array([0.0, 0.5, 1.0, 1.3])
    half = 2 / math.pi * (math.pi / 3 - math.sqrt(3) / 4)
    assert defocused_transfer(n, 0.0) == pytest.approx([1, half, 0, 0], abs=1e-12)


def test_defocus_agrees_with_the_pupil_autocorrelation_done_on_a_grid() -> None:
    waves, size = 0.8, 512
    axis = (np.arange(size) - size / 2) / (size / 8)  # pupil radius = size / 8 samples
    x, y = np.meshgrid(axis, axis)
    r2 = x * x + y * y
    pupil = (r2 <= 1) * np.exp(2j * math.pi * waves * r2)
    spread = np.abs(np.fft.fft2(pupil)) ** 2
    transfer = np.fft.ifft2(spread).real
    along = transfer[0, : size // 4 + 1] / transfer[0, 0]
    n = np.arange(size // 4 + 1) / (size / 4)
    # the stair-stepped rim of the gridded pupil costs about 1 / (samples across)
    assert defocused_transfer(n, waves) == pytest.approx(along, abs=0.008)


def test_a_little_defocus_joins_the_focused_transfer() -> None:
    n = np.linspace(0, 1, 30)
    assert defocused_transfer(n, 1e-4) == pytest.approx(defocused_transfer(n, 0.0), abs=1e-5)


@pytest.mark.parametrize("lean", [5.0, 12.0])
@pytest.mark.parametrize(
    "optics",
    [
        Optics(na=0.12),
        Optics(na=0.12, defocus_um=30),
        Optics(na=0.3, residual_blur_um=0.5),
    ],
)
def test_a_photographed_edge_gives_the_stated_response(optics: Optics, lean: float) -> None:
    pose = Pose(1.0, 0.0, (0.3, -0.2))
    picture = expected(Edge(lean, 0.2, 0.8), Pose(1.0), optics, GREY, np.float64)
    f, response = measured_response(picture, lean, 0.6)
    stated = truth_of(Edge(lean), pose, optics, GREY).mtf(f, -lean)
    clear = f > 0.03  # below, the window is shorter than the diffraction tails
    assert response[clear] == pytest.approx(np.abs(stated)[clear], abs=0.004)


def test_the_standard_grid_is_as_good_as_one_twice_as_fine() -> None:
    scene, pose = RuledScale(line_width_um=2.2), Pose(1.07, 4.0)
    optics = Optics(na=0.2)
    coarse = expected(scene, pose, optics, GREY)
    fine = expected(scene, pose, optics, GREY, oversample=4)
    # numerals are drawings of limited sharpness and are left out
    assert np.abs(coarse - fine)[90:].max() < 0.004


def line_places(profile: np.ndarray, spacing: float) -> np.ndarray:
    """Centroids of dark lines in a profile, each within half a spacing of a local minimum."""
    dark = profile.max() - profile
    reach = int(spacing / 2)
    found = []
    for i in range(reach, dark.size - reach):
        part = dark[i - reach : i + reach + 1]
        if dark[i] == part.max() and dark[i] > 0.5 * dark.max():
            weight = part - part.min()
            found.append(i + (weight * np.arange(-reach, reach + 1)).sum() / weight.sum())
    return np.asarray(found)


@pytest.mark.parametrize("pixel_size_um", [0.73, 1.31])
def test_line_spacing_in_the_picture_is_division_over_pixel_size(pixel_size_um: float) -> None:
    scene = RuledScale(division_um=20, line_width_um=4, numeral_every=0)
    pose = Pose(pixel_size_um, 0.0, (3.7, 0.0))
    picture = expected(scene, pose, Optics(na=0.2), GREY, np.float64)
    profile = picture[110:130].mean(axis=0)
    places = line_places(profile, 20 / pixel_size_um)
    spacing = np.polyfit(np.arange(places.size), places, 1)[0]
    truth = truth_of(scene, pose, Optics(), GREY)
    assert spacing == pytest.approx(truth.division_px, rel=2e-4)
    true_columns = truth.lines_px[:, 0]
    for place in places:
        assert np.abs(true_columns - place).min() < 0.02


def test_a_positive_tilt_turns_the_scale_clockwise() -> None:
    scene = RuledScale(division_um=20)
    lines = truth_of(scene, Pose(1.0, 10.0), Optics(), GREY).lines_px
    first, last = lines[0], lines[-1]
    angle = math.degrees(math.atan2(last[1] - first[1], last[0] - first[0]))
    assert angle == pytest.approx(10, abs=1e-9)
    picture = expected(RuledScale(division_um=1e4, divisions=1, line_width_um=8, short_um=1e4,
                                  fifth_um=1e4, tenth_um=1e4, numeral_every=0),
                       Pose(1.0, 10.0, (-5e3, 0.0)), SHARP, GREY)  # fmt: skip
    top, bottom = picture[60].argmin(), picture[180].argmin()
    assert bottom - top == pytest.approx(-120 * math.tan(math.radians(10)), abs=1.5)


@pytest.mark.parametrize("k1", [-0.1, -0.02, 0.05])
def test_marks_land_where_the_distorted_picture_shows_them(k1: float) -> None:
    scene = Chessboard(square_um=40, columns=8, rows=6)
    pose, optics = Pose(1.0, 7.0, (4.0, -3.0)), Optics(na=0.3, distortion_k1=k1)
    picture = expected(scene, pose, optics, GREY, np.float64)
    truth = truth_of(scene, pose, optics, GREY)
    corners = truth.visible("corners")
    assert len(corners) > 20
    inner = ((corners > 8) & (corners < (311, 231))).all(axis=1)
    start = corners[inner].astype(np.float32).reshape(-1, 1, 2) + np.float32(0.8)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-4)
    grey = np.rint(picture * 255).astype(np.uint8)
    found = cv2.cornerSubPix(grey, start, (6, 6), (-1, -1), stop).reshape(-1, 2)
    away = found - corners[inner]
    # OpenCV's corner finder itself is good to about 0.03 px on such corners
    assert np.abs(away).max() < 0.06
    assert np.abs(away.mean(axis=0)).max() < 0.02


def test_barrel_distortion_pulls_the_corners_in_and_pincushion_pushes_them_out() -> None:
    corner = np.array([[150.0, 110.0]])
    places = {
        k1: truth_of(FlatField(), Pose(1.0), Optics(distortion_k1=k1), GREY).mapping.to_px(corner)
        for k1 in (-0.1, 0.0, 0.1)
    }
    away = {k1: float(np.hypot(p[0, 0] - 159.5, p[0, 1] - 119.5)) for k1, p in places.items()}
    assert away[-0.1] < away[0.0] < away[0.1]
    relative = (away[0.1] - away[0.0]) / away[0.0]
    assert relative == pytest.approx(0.1 * (150**2 + 110**2) / 200**2, rel=1e-9)


def test_to_um_undoes_to_px() -> None:
    rng = np.random.default_rng(2)
    truth = truth_of(
        FlatField(), Pose(0.7, -33, (50, 20)),
        Optics(distortion_k1=-0.12, lateral_colour=(0, 0.001, 0)),
        Camera(width=400, height=300, enlargement=1.5),
    )  # fmt: skip
    px = rng.uniform(0, [599, 449], (50, 2))
    assert truth.mapping.to_px(truth.mapping.to_um(px)) == pytest.approx(px, abs=1e-5)


def test_blur_moves_light_but_keeps_its_amount() -> None:
    scene = RuledScale(division_um=20, divisions=6, numeral_every=0)
    sharp = expected(scene, Pose(1.0), SHARP, GREY, np.float64)
    soft = expected(scene, Pose(1.0), Optics(na=0.2, defocus_um=40), GREY, np.float64)
    lost = (scene.ground - sharp).sum()
    # diffraction's tails fall off with 1 / distance and carry 0.1 % beyond the picture's edge
    assert (scene.ground - soft).sum() == pytest.approx(lost, rel=3e-3)
    assert np.ptp(soft) < 0.6 * np.ptp(sharp)


def test_curved_focus_is_sharp_on_the_axis_and_soft_in_the_corner() -> None:
    scene = CrossedGrid(20, 20, 4)
    optics = Optics(na=0.2, field_curvature_um=60)
    picture = expected(scene, Pose(1.0), optics, GREY)
    middle, corner = picture[100:140, 140:180], picture[:40, :40]
    assert np.ptp(corner) < 0.7 * np.ptp(middle)
    truth = truth_of(scene, Pose(1.0), optics, GREY)
    assert truth.mtf(0.05, at_px=(0, 0)) < 0.8 * truth.mtf(0.05)


def test_lateral_colour_displaces_red_outwards_by_the_stated_share() -> None:
    scene = RuledScale(division_um=40, line_width_um=6, numeral_every=0)
    camera = Camera(width=320, height=240, colour="full")
    optics = Optics(na=0.3, lateral_colour=(0.01, 0.0, -0.01))
    picture = expected(scene, Pose(1.0), optics, camera, np.float64)
    places = [line_places(picture[110:130, :, c].mean(axis=0), 40) for c in range(3)]
    assert len(places[1]) >= 6
    for place in places[1]:
        red, blue = (p[np.abs(p - place).argmin()] for p in (places[0], places[2]))
        assert red - place == pytest.approx(0.01 * (place - 159.5), abs=0.02)
        assert blue - place == pytest.approx(-0.01 * (place - 159.5), abs=0.02)


def test_the_field_stop_has_the_stated_diameter() -> None:
    optics = Optics(field_stop_um=200, surround=0.0)
    picture = expected(FlatField(0.5), Pose(1.0), optics, GREY, np.float64)
    area = picture.sum() / 0.5
    assert math.sqrt(area * 4 / math.pi) == pytest.approx(200, rel=1e-3)
    assert truth_of(FlatField(), Pose(1.0), optics, GREY).field_diameter_um == 200


def test_vignetting_and_gradient_dim_the_picture_as_stated() -> None:
    optics = Optics(vignetting=0.4, lighting=Lighting(gradient=(0.2, 0.0)))
    picture = expected(FlatField(0.5), Pose(1.0), optics, GREY)
    assert picture[120, 160] == pytest.approx(0.5, rel=0.01)
    assert picture[0, 0] == pytest.approx(0.5 * 0.8 / 1.4**2, rel=0.01)
    assert picture[0, -1] == pytest.approx(0.5 * 1.2 / 1.4**2, rel=0.01)


def test_motion_blurs_along_its_path_only() -> None:
    optics = Optics(na=0.3, motion_px=(5.0, 0.0))
    truth = truth_of(FlatField(), Pose(1.0), optics, GREY)
    still = truth_of(FlatField(), Pose(1.0), Optics(na=0.3), GREY)
    f = np.array([0.05, 0.1, 0.15])
    assert truth.mtf(f) == pytest.approx(still.mtf(f) * np.sinc(5 * f))
    assert truth.mtf(f, 90.0) == pytest.approx(still.mtf(f, 90.0))
    scene = CrossedGrid(20, 20, 4)
    picture = expected(scene, Pose(1.0), optics, GREY)
    assert np.ptp(picture.mean(axis=0)) < 0.9 * np.ptp(picture.mean(axis=1))


def test_the_picture_is_smooth_in_pixel_size() -> None:
    def slope(step_um: float) -> np.ndarray:
        low, high = (
            expected(RuledScale(), Pose(1 + d, 3.0), Optics(na=0.15), GREY, np.float64)
            for d in (-step_um, step_um)
        )
        return (high - low) / (2 * step_um)

    coarse, fine = slope(1e-4), slope(1e-6)
    assert np.abs(coarse).max() > 1
    assert np.abs(coarse - fine).max() < 0.001 * np.abs(coarse).max()


def test_tiles_join_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    scene, pose = RuledScale(), Pose(1.0, 20.0)
    optics = Optics(na=0.15, field_curvature_um=30)
    whole = expected(scene, pose, optics, GREY)
    monkeypatch.setattr("glassay.simulate.render._TILE_PX", 110)
    # light that diffraction carries further than the overlap: far below one 8-bit step
    assert expected(scene, pose, optics, GREY) == pytest.approx(whole, abs=5e-4)


def test_a_memory_is_the_same_however_densely_it_is_painted() -> None:
    # What is painted in steps of a sample and what is not must agree below both grids' limits.
    die, pose = Die(seed=5, memory_um=(400.0, 300.0)), Pose(1.3, 3.0)
    optics, camera = Optics(na=0.12), Camera(width=256, height=192, colour="grey")
    coarse, fine = (expected(die, pose, optics, camera, np.float64, oversample=n) for n in (2, 5))
    taper = np.outer(np.hanning(192), np.hanning(256))
    seen = [np.abs(np.fft.rfft2((p - p.mean()) * taper)) for p in (coarse, fine)]
    strong = seen[1] > 0.02 * seen[1][3:, 3:].max()
    strong[:3, :3] = False
    assert strong.sum() > 20
    assert (seen[0] / seen[1])[strong] == pytest.approx(1, abs=0.02)
