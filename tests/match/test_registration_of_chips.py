"""Photos of one chip are laid over each other as they were taken."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from glassay.errors import NotMeasurable
from glassay.imaging import read_photo
from glassay.match import MatchResult, match
from glassay.quantity import Quantity
from glassay.simulate import Capture, Die
from tests.match.pairs import FloatImage, light_of, lit, misplacement_px, opencv_file, shot, truth

BRIGHT = 1e-4
"""Relative error of the scale ratio that is allowed between bright-field photos that share a few
hundred px, and (HARD) in dark field, oblique light, soft focus or far apart: the stated targets."""
HARD = 2e-3

SMALL, SMALLER = (320, 240), (200, 150)
NOT_HERE = r"no common piece|repeats itself|no detail of them agrees"


def matched(
    first: Capture, second: Capture, *, prior: bool = False, most_apart: float = 20
) -> MatchResult:
    sizes = (first.truth.pixel_size_um, second.truth.pixel_size_um) if prior else (None, None)
    return match(
        light_of(first), light_of(second), pixel_size_1=sizes[0], pixel_size_2=sizes[1],
        most_apart=most_apart,
    )  # fmt: skip


def test_bright_field_gives_scale_and_turn_without_any_calibration() -> None:
    die = Die(seed=3)
    one = shot(die, 1.0, 12, (200, 100))
    two = shot(die, 1.7, -31, (220, 80), seed=1)
    found, true = matched(one, two), truth(one, two)
    assert found.scale_ratio.value == pytest.approx(true.ratio, rel=BRIGHT)
    low, high = found.scale_ratio.interval
    assert low <= true.ratio <= high
    assert found.rotation.value == pytest.approx(true.turn, abs=0.01)
    assert found.residual.value < 0.3  # px of the finer photo, the stated target
    assert misplacement_px(two, one, found.mapping.inverse()) < 0.3
    assert found.calibrations is None


def test_swapped_photos_give_the_inverse() -> None:
    die = Die(seed=5)
    one = shot(die, 0.9, 5, (-100, 50), size=(240, 180))
    two = shot(die, 1.4, 175, (-80, 60), size=(240, 180), seed=1)
    there, back = matched(one, two, prior=True), matched(two, one, prior=True)
    assert there.scale_ratio.value * back.scale_ratio.value == pytest.approx(1, abs=2e-5)
    assert there.rotation.value + back.rotation.value == pytest.approx(0, abs=0.005)


def test_photos_far_apart_in_magnification_match_without_calibrations() -> None:
    die, ratio = Die(seed=11), 12.0
    fine = shot(die, 0.3, 40, (210, -120), size=(1000, 750))
    coarse = shot(die, 0.3 * ratio, -20, (150, -90), size=(240, 180), seed=1)
    found, true = matched(fine, coarse), truth(fine, coarse)
    assert found.scale_ratio.value == pytest.approx(true.ratio, rel=HARD)
    assert found.rotation.value == pytest.approx(true.turn, abs=0.2)


def test_oblique_light_matches_bright_field() -> None:
    off = []
    for seed in (19, 21, 24):
        die = Die(seed=seed)
        bright = shot(die, 1.0, 0, (150, 60))
        oblique = shot(lit(die, "oblique"), 1.6, 15, (170, 80), exposure=2.0, seed=1)
        found, true = matched(bright, oblique, prior=True), truth(bright, oblique)
        low, high = found.scale_ratio.interval
        assert low <= true.ratio <= high
        assert any("lit differently" in note for note in found.notes)
        off.append(abs(found.scale_ratio.value / true.ratio - 1))
    assert np.median(off) < HARD


def test_soft_focus_costs_little() -> None:
    die = Die(seed=8)
    one = shot(die, 1.0, -8, (-150, 100), size=(400, 300), softness=4)
    two = shot(die, 1.8, 30, (-130, 120), size=(400, 300), softness=4, seed=1)
    found, true = matched(one, two, prior=True), truth(one, two)
    assert found.scale_ratio.value == pytest.approx(true.ratio, rel=HARD)


def test_a_wrong_calibration_is_told_and_a_right_one_agrees() -> None:
    die = Die(seed=3)
    one = shot(die, 1.0, 0, (200, 100), size=(240, 180))
    two = shot(die, 1.5, 3, (210, 110), size=(240, 180), seed=1)
    sizes = [Quantity.of(size, 0.0005 * size, "um") for size in (1.0, 1.5)]
    pictures = light_of(one), light_of(two)
    right = match(*pictures, pixel_size_1=sizes[0], pixel_size_2=sizes[1])
    assert right.calibrations == "agree"
    wrong = match(*pictures, pixel_size_1=sizes[0], pixel_size_2=sizes[1].scaled(1.03, "um"))
    assert wrong.calibrations == "disagree"
    error = wrong.calibration_error
    assert error is not None
    assert error.value == pytest.approx(0.03, abs=1e-3)
    assert wrong.scale_ratio.value == pytest.approx(right.scale_ratio.value, rel=2e-5)


def test_distortion_of_one_lens_is_followed_to_the_rim() -> None:
    die = Die(seed=14)
    straight = shot(die, 1.0, 0, (0, 0), size=(400, 300))
    barrel = shot(die, 1.3, 4, (10, 5), size=(400, 300), distortion=-0.04, seed=1)
    found = matched(straight, barrel, prior=True)
    # without distortion the best similarity would misplace the rim by over a px
    assert misplacement_px(straight, barrel, found.mapping) < 0.2
    assert any("the lenses distort" in note for note in found.notes)


@pytest.mark.parametrize(("fine_um", "coarse_um"), [(240.0, 0.0), (0.0, 300.0), (240.0, 300.0)])
def test_the_dark_surround_of_an_eyepiece_says_nothing_of_the_light(
    fine_um: float, coarse_um: float
) -> None:
    die = Die(seed=1)
    one = shot(die, 1.0, 4, (-100, 50), size=(360, 270), stop_um=fine_um)
    two = shot(die, 1.4, 60, (-60, 70), size=(360, 270), stop_um=coarse_um, seed=1)
    found, true = matched(one, two, prior=True), truth(one, two)
    assert found.look == "brightness"
    assert found.notes == ()
    assert found.scale_ratio.value == pytest.approx(true.ratio, rel=BRIGHT)
    low, high = found.scale_ratio.interval
    assert low <= true.ratio <= high
    sources = {part.source for part in found.scale_ratio.contributions}
    assert not any("lighting" in source for source in sources)
    assert found.scale_ratio.expanded < 6e-4 * true.ratio  # taken as lit differently: 1e-3


# ---- refusals ------------------------------------------------------------------------------------
# Where nothing is found, every scale up to `most_apart` has been tried; 1.9 keeps these tests short.


def test_another_chip_is_refused() -> None:
    one = shot(Die(seed=1), 1.0, 0, (100, 0), size=SMALLER)
    two = shot(Die(seed=2), 1.5, 20, (100, 0), size=SMALLER, seed=1)
    with pytest.raises(NotMeasurable, match=NOT_HERE):
        matched(one, two, prior=True, most_apart=1.9)


def test_no_overlap_is_refused() -> None:
    die = Die(seed=4)
    one = shot(die, 0.8, 0, (-500, -350), size=SMALLER)
    two = shot(die, 1.0, 10, (500, 350), size=SMALLER, seed=1)
    with pytest.raises(NotMeasurable, match=NOT_HERE):
        matched(one, two, prior=True, most_apart=1.9)


def test_flat_photos_are_refused() -> None:
    noise = np.random.default_rng(0).normal(0.5, 0.01, (2, 110, 140)).astype(np.float32)
    with pytest.raises(NotMeasurable, match="no common piece"):
        match(noise[0], noise[1], pixel_size_1=1.0, pixel_size_2=1.0, most_apart=1.9)
    with pytest.raises(NotMeasurable, match="one even surface"):
        match(np.full((240, 320), 0.5, np.float32), noise[1])
    with pytest.raises(NotMeasurable, match="smaller than"):
        match(noise[0, :30], noise[1])


def test_a_mirrored_photo_is_refused_and_said_so() -> None:
    die = Die(seed=3)
    one = shot(die, 1.3, 0, (200, 100), size=(240, 180))
    two = shot(die, 1.6, 5, (210, 110), size=(240, 180), seed=1)
    with pytest.raises(NotMeasurable, match="mirror image"):
        match(light_of(one), light_of(two)[:, ::-1], pixel_size_1=1.3, pixel_size_2=1.6,
              most_apart=1.9)  # fmt: skip


def memory(shift: tuple[int, int], mark: bool, seed: int) -> FloatImage:
    """A memory array: cells of 12 x 9 px as far as one sees; `mark` breaks one cell of it."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:150, 0:190]
    y, x = y + shift[0], x + shift[1]
    cell = 0.3 + 0.3 * (x % 12 < 5) + 0.25 * ((y % 9 < 3) & (x % 12 > 2))
    if mark:
        cell[(abs(y - 80) < 18) & (abs(x - 105) < 26)] = 0.15
    picture = cv2.GaussianBlur(cell.astype(np.float32), (0, 0), 1.0)
    return (picture + rng.normal(0, 0.01, picture.shape)).astype(np.float32)


def test_a_bare_memory_array_is_refused_since_any_period_fits() -> None:
    one, two = memory((0, 0), False, 0), memory((4, 17), False, 1)
    with pytest.raises(NotMeasurable, match=NOT_HERE):
        match(one, two, pixel_size_1=1.0, pixel_size_2=1.0, most_apart=1.9)


@pytest.mark.parametrize("shift", [(0, 12), (-4, 40)])
def test_a_memory_array_with_one_mark_is_refused_or_right_never_a_period_off(
    shift: tuple[int, int],
) -> None:
    one, two = memory((0, 0), True, 0), memory(shift, True, 1)
    try:
        found = match(one, two, pixel_size_1=1.0, pixel_size_2=1.0, most_apart=1.9)
    except NotMeasurable:
        return
    there = found.mapping([[95.0, 75.0]])[0]
    assert there == pytest.approx([95 - shift[1], 75 - shift[0]], abs=0.5)


# ---- real photographs ----------------------------------------------------------------------------


def test_a_painted_wall_from_two_sides_follows_its_published_homography() -> None:
    # graf1/graf3 and H1to3p: Mikolajczyk et al., A comparison of affine region detectors (2005), as
    # shipped with OpenCV's documentation
    one, three = (read_photo(opencv_file(f"graf{n}.png")) for n in (1, 3))
    storage = cv2.FileStorage(str(opencv_file("H1to3p.xml")), cv2.FILE_STORAGE_READ)
    published = storage.getFirstTopLevelNode().mat()
    found = match(one.linear_grey(), three.linear_grey())
    places = np.array([[x, y] for x in (200.0, 350, 500) for y in (150.0, 300, 450)])
    true = cv2.perspectiveTransform(places[None], published)[0]
    apart = np.hypot(*(found.mapping(places) - true).T)
    # its authors state their homographies to a px or two, and the wall is not quite flat
    assert np.median(apart) < 2.0
    assert any("from another side" in note for note in found.notes)


def test_a_box_in_a_cluttered_scene_lies_where_features_alone_put_it() -> None:
    box, scene = (read_photo(opencv_file(n)) for n in ("box.png", "box_in_scene.png"))
    # the outside check: OpenCV's own features and homography of the same pair
    sift = cv2.SIFT.create()
    (k1, d1), (k2, d2) = (sift.detectAndCompute(p.stored, None) for p in (box, scene))
    pairs = cv2.BFMatcher().knnMatch(d1, d2, k=2)
    good = [one for one, other in pairs if one.distance < 0.7 * other.distance]
    ends = [np.array([k[getattr(m, name)].pt for m in good])
            for k, name in ((k1, "queryIdx"), (k2, "trainIdx"))]  # fmt: skip
    outside, _ = cv2.findHomography(ends[0], ends[1], cv2.RANSAC, 3.0)
    places = np.array([[x, y] for x in (60.0, 160, 260) for y in (50.0, 110, 170)])
    true = cv2.perspectiveTransform(places[None], outside)[0]
    found = match(box.linear_grey(), scene.linear_grey())
    apart = np.hypot(*(found.mapping(places) - true).T)
    assert np.median(apart) < 1.0  # features of a 0.5 times smaller box are good to about a px


def test_a_warped_photograph_is_matched_to_where_it_was_warped() -> None:
    from skimage import data, transform

    photo = data.camera() / 255.0  # a photograph that scikit-image carries in its package
    way = transform.SimilarityTransform(scale=0.62, rotation=0.4, translation=(160, 20))
    warped = transform.warp(photo, way.inverse, output_shape=(400, 420), order=3)
    inside = transform.warp(np.ones_like(photo), way.inverse, output_shape=(400, 420)) > 0.99
    assert inside.sum() > 60_000
    found = match(photo.astype(np.float32), np.clip(warped, 0, 1).astype(np.float32))
    places = np.array([[150.0, 150], [350, 150], [350, 350], [150, 350]])
    assert np.abs(found.mapping(places) - way(places)).max() < 0.3
    assert found.scale_ratio.value == pytest.approx(1 / 0.62, rel=1e-3)
