"""Scenes hold the lengths they state, at every scale of looking."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from glassay.simulate import (
    BarTarget,
    Camera,
    CrossedGrid,
    Die,
    DotGrid,
    Dust,
    Lit,
    Optics,
    Overlaid,
    Photographed,
    Pose,
    RuledScale,
    ScaleOver,
    Scene,
    Scratches,
    SensorDie,
    SlantedSquare,
    Texture,
    capture,
    expected,
    truth_of,
)

GREY = Camera(width=320, height=240, colour="grey", exposure=1.0)
FULL = Camera(width=320, height=240, colour="full", exposure=1.0)
SHARP = Optics(na=0.9)


@pytest.mark.parametrize(
    "scene",
    [
        Die(),
        SensorDie(),
        Texture("cloud", detail_um=4),
        Texture("brushed", detail_um=4),
        BarTarget(4, 2),
        DotGrid(30, 30, 12),
        CrossedGrid(30, 30, 3, bold_every=5),
        Overlaid(SlantedSquare(), (Dust(), Scratches())),
        ScaleOver(RuledScale(baseline=True, frame_um=30), Texture("speckle", detail_um=6)),
    ],
    ids=lambda scene: type(scene).__name__,
)
def test_a_coarse_look_shows_the_mean_of_a_fine_look(scene: Scene) -> None:
    coarse = expected(scene, Pose(2.0, 5.0), SHARP, Camera(160, 120, "full", exposure=1.0))
    fine = expected(scene, Pose(0.5, 5.0), SHARP, Camera(640, 480, "full", exposure=1.0))
    mean = cv2.resize(fine, (160, 120), interpolation=cv2.INTER_AREA)
    away = (coarse - mean)[5:-5, 5:-5]
    assert np.sqrt((away**2).mean()) < 0.006
    assert abs(away.mean()) < 0.003


def test_bar_frequencies_are_those_of_the_standard() -> None:
    # MIL-STD-150A, table of elements: line pairs per mm
    rows = {(0, 1): 1.00, (2, 3): 5.04, (4, 6): 28.51, (7, 6): 228.1}
    elements = {(e.group, e.element): e for e in BarTarget(0, 4).elements()}
    assert len(elements) == 48
    for key, frequency in rows.items():
        assert elements[key].frequency_lp_mm == pytest.approx(frequency, rel=1e-3)


def test_bars_in_the_picture_have_the_stated_period() -> None:
    target = BarTarget(4, 1)
    element = next(e for e in target.elements() if (e.group, e.element) == (4, 3))
    x0, y0, x1, y1 = element.upright
    pose = Pose(1.0, 0.0, ((x0 + x1) / 2, (y0 + y1) / 2))
    picture = expected(target, pose, Optics(na=0.3), GREY, np.float64)
    profile = picture[110:130].mean(axis=0)
    level = (target.bars + target.ground) / 2
    inside = slice(round(159.5 - 3 * element.bar_width_um), round(159.5 + 3 * element.bar_width_um))
    above = profile[inside] - level
    cut = np.flatnonzero(np.diff(np.sign(above)))
    edges = inside.start + cut + above[cut] / (above[cut] - above[cut + 1])
    assert edges.size == 6
    spacing = np.polyfit(np.arange(6), edges, 1)[0]
    assert spacing == pytest.approx(500 / element.frequency_lp_mm, rel=2e-3)
    length = (picture[:, 155:165].mean(axis=1) > level).sum()
    assert length == pytest.approx(5 * element.bar_width_um, abs=1.0)


def test_layers_of_the_bar_target_do_not_overlap() -> None:
    boxes = [box for e in BarTarget(0, 4).elements() for box in (e.upright, e.level)]
    for i, a in enumerate(boxes):
        for b in boxes[:i]:
            assert a[2] < b[0] or b[2] < a[0] or a[3] < b[1] or b[3] < a[1]


def test_pads_shine_where_the_die_says_they_are() -> None:
    die = Die(wires=False)
    pose = Pose(6.0, 3.0)
    picture = expected(die, pose, Optics(na=0.3), FULL)
    pads = truth_of(die, pose, SHARP, FULL).visible("pads")
    assert len(pads) > 40
    at_pads = np.array([picture[round(r), round(c)] for c, r in pads])
    assert (at_pads.mean(axis=1) > 0.5).all()
    assert picture.mean() < 0.35


def test_the_heron_is_on_the_die() -> None:
    die = Die()
    x, y = die.marks_um()["heron"][0]
    there = expected(die, Pose(0.4, 0.0, (x, y)), Optics(na=0.4), FULL)[20:220, 50:270, 1]
    bright = there > 0.5
    # a bird with its reeds covers some of its square, and is not symmetric
    assert 0.05 < bright.mean() < 0.35
    assert (bright ^ bright[:, ::-1]).mean() > 0.5 * bright.mean()


def test_a_memory_may_fill_the_die_and_then_leaves_no_room_for_the_heron() -> None:
    die = Die(memory_um=(1500.0, 1100.0), wires=False)
    assert die.marks_um()["heron"].shape == (0, 2)
    assert len(die.marks_um()["pads"]) == len(Die(wires=False).marks_um()["pads"])
    near = expected(die, Pose(0.4, 0.0, (300.0, 200.0)), Optics(na=0.4), FULL)[..., 1]
    # a memory has lines in both directions; a bare film has none
    assert all(np.ptp(near.mean(axis=axis)) > 0.02 for axis in (0, 1))
    with pytest.raises(ValueError, match="does not fit between the pads"):
        Die(memory_um=(1700.0, 1100.0)).marks_um()


def test_dies_of_different_seeds_share_no_floor_plan() -> None:
    pose, optics = Pose(5.0), Optics(na=0.2)
    a, b, again = (
        expected(Die(seed=s), pose, optics, FULL)[60:180, 80:240, 1].ravel() for s in (0, 1, 0)
    )
    assert np.array_equal(a, again)
    assert abs(np.corrcoef(a, b)[0, 1]) < 0.5


def test_sensor_pixels_lie_at_the_stated_pitch_and_the_mosaic_at_twice_that() -> None:
    die = SensorDie(3.4, 3.6, 640, 480)
    picture = expected(die, Pose(0.425), Optics(na=0.5), FULL, np.float64)
    green = picture[..., 1] - picture[..., 1].mean()
    across = np.abs(np.fft.rfft(green, axis=1)).mean(axis=0)
    f = np.fft.rfftfreq(320) / 0.425
    pixel = 1 / 3.4
    near = np.abs(f - pixel) < 0.2 * pixel
    assert f[near][across[near].argmax()] == pytest.approx(pixel, rel=1e-6)
    # the glint on every lens is white: the colour difference shows the mosaic alone
    across = np.abs(np.fft.rfft(picture[..., 0] - picture[..., 1], axis=1)).mean(axis=0)
    across[0] = 0
    assert f[across.argmax()] == pytest.approx(pixel / 2, rel=1e-6)


def test_the_active_array_has_the_stated_extent() -> None:
    die = SensorDie(3.0, 3.0, 200, 100, coloured=False, lens=0.0, aperture_share=1.0)
    picture = expected(die, Pose(3.0), Optics(na=0.3), FULL, np.float64)[..., 1]
    corners = truth_of(die, Pose(3.0), SHARP, FULL).visible("corners")
    assert np.ptp(corners, axis=0) == pytest.approx([200, 100])
    row = picture[120]
    middle, shield = row[150:170].mean(), row[54:58].mean()
    outside = np.flatnonzero(np.abs(row - middle) > 0.5 * abs(middle - shield))
    first, last = outside[outside < 160].max(), outside[outside > 160].min()
    assert last - first - 1 == pytest.approx(200, abs=1)


def test_dark_field_light_of_an_edge_does_not_depend_on_the_pixel_size() -> None:
    scene = Lit(SlantedSquare(side_um=120, turn_deg=0), "dark", edge_um=2.0, flat=0.0)
    sums = []
    for pixel_size_um in (0.8, 1.6):
        picture = expected(scene, Pose(pixel_size_um), SHARP, GREY, np.float64)
        column = round(119.5)
        sums.append(picture[column, 160:].sum() * pixel_size_um)
    assert sums[0] == pytest.approx(sums[1], rel=0.01)
    assert sums[0] == pytest.approx(2.0 * 0.6 * (0.5 + 0.5 * 0.45), rel=0.05)


def test_a_photograph_under_the_microscope_keeps_its_scale() -> None:
    picture = np.zeros((100, 140), np.float32)
    picture[40:60, 50:90] = 1
    seen = expected(Photographed(picture, texel_um=4.0), Pose(2.0), SHARP, GREY)
    assert seen.sum() * 2.0**2 == pytest.approx(picture.sum() * 4.0**2, rel=0.01)
    rows, columns = np.indices(seen.shape)
    assert (columns * seen).sum() / seen.sum() == pytest.approx(159.5, abs=0.05)
    assert (rows * seen).sum() / seen.sum() == pytest.approx(119.5, abs=0.05)


def test_ruling_errors_move_lines_but_not_the_division() -> None:
    scene = RuledScale(division_um=20, divisions=20, ruling_error_um=0.5, ruling_seed=4)
    places = scene.marks_um()["lines"][:, 0]
    away = places - (np.arange(21) * 20 - 200)
    assert 0.2 < away.std() < 0.9
    picture = expected(RuledScale(division_um=20, divisions=20, ruling_error_um=0.5, ruling_seed=4,
                                  numeral_every=0, line_width_um=4),
                       Pose(1.0), Optics(na=0.3), GREY, np.float64)  # fmt: skip
    profile = 0.85 - picture[110:130].mean(axis=0)
    for place in places[6:15]:
        column = place + 159.5
        part = slice(round(column) - 8, round(column) + 9)
        seen = (profile[part] * np.arange(part.start, part.stop)).sum() / profile[part].sum()
        assert seen == pytest.approx(column, abs=0.05)


@pytest.mark.parametrize("profile", ["edges", "shaded"])
def test_oblique_light_shows_the_rims_of_a_wide_line(profile: str) -> None:
    scene = RuledScale(division_um=40, line_width_um=12, rim_width_um=2, numeral_every=0,
                       profile=profile)  # type: ignore[arg-type]  # fmt: skip
    picture = expected(scene, Pose(0.5), Optics(na=0.6), GREY)
    row = picture[120]
    first = round(truth_of(scene, Pose(0.5), SHARP, GREY).lines_px[3, 0])
    left, middle, right = row[first - 10], row[first], row[first + 10]
    assert left < middle
    assert (right < middle) if profile == "edges" else (right > middle)


def test_every_font_writes_different_numerals() -> None:
    shots = [
        expected(RuledScale(division_um=10, font=font), Pose(0.4, 0.0, (0, -130)), SHARP, GREY)
        for font in ("sans", "serif", "typewriter", "times", "roman", "engraved")
    ]  # fmt: skip
    for i, a in enumerate(shots):
        assert (a < 0.4).mean() > 0.003
        for b in shots[:i]:
            assert np.abs(a - b).max() > 0.3


def test_scenes_work_through_distortion_and_lateral_colour_together() -> None:
    optics = Optics(
        na=0.15, distortion_k1=-0.12, lateral_colour=(0.003, 0, -0.003), vignetting=0.3,
        field_curvature_um=20, field_stop_um=500,
    )  # fmt: skip
    shot = capture(
        Die(), Pose(2.0, 40.0, (-700, -560)), optics, Camera(320, 240, enlargement=1.3), seed=1
    )
    assert shot.stored.shape == (312, 416, 3)
    assert np.isfinite(shot.linear).all()
    pads = shot.truth.visible("pads")
    assert len(pads) >= 5
    for column, row in pads:
        x, y = shot.truth.mapping.to_um([(column, row)])[0]
        away = Die().marks_um()["pads"] - (x, y)
        assert np.hypot(away[:, 0], away[:, 1]).min() < 1e-3
    assert math.isclose(shot.truth.enlargement, 1.3)


def test_unevenly_filled_lines_keep_their_places() -> None:
    even, uneven = (
        expected(RuledScale(division_um=20, line_width_um=4, numeral_every=0, unevenness=u),
                 Pose(1.0), Optics(na=0.3), GREY)[120] for u in (0.0, 0.4)
    )  # fmt: skip
    lines = truth_of(RuledScale(division_um=20), Pose(1.0), SHARP, GREY).lines_px[:, 0]
    columns = np.rint(lines[1:-1]).astype(int)
    assert even[columns].std() < 0.01
    assert uneven[columns].std() > 0.05
    for c in columns:
        dark = 0.85 - uneven[c - 8 : c + 9]
        middle = (dark * np.arange(c - 8, c + 9)).sum() / dark.sum()
        assert np.abs(lines - middle).min() < 0.1
