"""Focus stacks against reliefs whose heights and sharp pictures are known."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity
from glassay.stack import blend, measure_stack
from glassay.stack.align import align
from glassay.stack.choose import choose
from glassay.stack.depth import depth
from glassay.stack.sharpness import Curves, bands
from tests.stack.runs import (
    HEIGHTS_UM,
    PHOTOS,
    PIXEL_UM,
    STEP_UM,
    photos,
    stacked,
    truth,
    two_heights,
)


def texture(side: int = 200, seed: int = 1, scale: float = 1.5) -> FloatImage:
    rng = np.random.default_rng(seed)
    rough = cv2.GaussianBlur(rng.standard_normal((side, side)).astype(np.float32), (0, 0), scale)
    return np.asarray(0.4 + 0.1 * rough / rough.std(), dtype=np.float32)


def test_depth_is_that_of_the_relief_within_a_fraction_of_a_step() -> None:
    found, (_, places) = stacked(), truth()
    known = np.isfinite(found.places)
    error = np.abs(found.places - places)[known]
    assert known.mean() > 0.5
    assert np.median(error) < 0.15
    assert np.percentile(error, 95) < 0.5
    assert np.mean(error < 1.96 * found.u_places[known]) > 0.92


def test_the_picture_is_sharp_at_both_heights() -> None:
    found, (sharp, places) = stacked(), truth()
    one = photos()[found.alignment.reference]
    inner = (slice(12, -12), slice(12, -12))

    def wrong(picture: FloatImage) -> float:
        return float(np.sqrt(np.mean((picture - sharp)[inner] ** 2)))

    assert wrong(found.picture) < 0.5 * wrong(one)
    assert found.picture.dtype == np.float32
    assert len(np.unique(np.round(places))) > 2


def test_no_more_noise_than_a_single_photo() -> None:
    found = stacked()
    rng = np.random.default_rng(8)
    size = found.places.shape
    noise = [0.01 * rng.standard_normal(size).astype(np.float32) + 0.5 for _ in range(PHOTOS)]
    even = replace(found.plan, gains=np.ones(PHOTOS))
    assert 0.006 < float(blend(noise, even).std()) < 1.05 * 0.01


def test_light_beside_a_step_of_height_is_neither_too_much_nor_too_little() -> None:
    found, (sharp, places) = stacked(), truth()
    jump = cv2.morphologyEx(places.astype(np.float32), cv2.MORPH_GRADIENT, np.ones((3, 3)))
    away = cv2.distanceTransform((jump < 1.5).astype(np.uint8), cv2.DIST_L2, 5)
    rim = (away > 2) & (away < 24)
    rest = cv2.GaussianBlur((found.picture - sharp).astype(np.float32), (0, 0), 2.0)
    span = float(np.ptp(np.percentile(sharp, (1, 99))))
    assert np.abs(rest[rim]).mean() / span < 0.02


def test_breathing_and_range_of_depth_are_found() -> None:
    findings = measure_stack(
        list(photos()), step=Quantity.of(STEP_UM, 0.01 * STEP_UM, "um"),
        pixel_size=Quantity(PIXEL_UM, "um/px"),
    ).findings()  # fmt: skip
    run = two_heights()
    first, last = (np.hypot(*run.matrix(n)[:, 0]) for n in (0, PHOTOS - 1))
    change = findings["magnification_change"].quantity
    assert change.value == pytest.approx(last / first - 1, abs=3 * change.u)
    assert change.u < 0.005
    deep = findings["depth_range"].quantity
    assert deep.unit == "um"
    highest = max(level.height_um for level in run.relief.levels)
    # the wire above the die covers little more than the percent that the range leaves out
    assert HEIGHTS_UM[1] - 3 * deep.u < deep.value < highest + 3 * deep.u
    assert findings["frames"].value == PHOTOS
    assert 0.5 < findings["in_focus_share"].quantity.value <= 1


def test_similarities_are_found_to_a_tenth_of_a_px() -> None:
    # Outside check: photos made by OpenCV's own warp, whose matrix is the truth.
    plain = texture(260)
    matrices = [
        np.array([[1 + 0.002 * n, 0.001 * n, 0.7 * n], [-0.001 * n, 1 + 0.002 * n, -0.4 * n]])
        for n in range(5)
    ]
    seen = [
        cv2.warpAffine(plain, m, (260, 260), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        for m in matrices
    ]
    found = align(seen, reference=0)
    corners = np.array([(30, 30, 1), (230, 30, 1), (30, 230, 1), (230, 230, 1.0)]).T
    for true, mine in zip(matrices, found.matrices, strict=True):
        assert np.abs(true @ corners - mine @ corners).max() < 0.1


def test_bands_leave_what_a_spline_of_growing_width_smooths() -> None:
    # Outside check: the kernel 1 4 6 4 1 over 16 has variance 1 px^2, spread 1, 2 and 4 times it has
    # 1, 4 and 16, and variances add up (B3 spline of the a trous transform: Starck and Murtagh 1994,
    # from memory).
    spot = np.zeros((65, 65), np.float32)
    spot[32, 32] = 1
    rest = spot - sum(bands(spot))
    x = np.arange(65) - 32.0
    assert rest.sum() == pytest.approx(1, abs=1e-4)
    assert float((rest.sum(axis=0) * x**2).sum()) == pytest.approx(21, rel=1e-3)
    assert all(abs(float(band.sum())) < 1e-4 for band in bands(spot))


def test_depth_of_a_gaussian_curve_is_its_vertex() -> None:
    # Outside check: Nayar and Nakagawa's closed form for three points (1994; from memory).
    n = np.arange(9.0)
    for vertex, width in ((3.8, 0.9), (4.3, 1.4), (5.0, 2.0)):
        curve = np.exp(-((n - vertex) ** 2) / (2 * width**2))
        best = int(np.argmax(curve))
        before, at, after = np.log(curve[best - 1 : best + 2])
        closed = best + (after - before) / (2 * ((at - before) + (at - after)))
        assert closed == pytest.approx(vertex)
        even = np.broadcast_to(curve[:, None, None] / curve.max(), (9, 12, 12)).astype(np.float32)
        ones = np.ones((12, 12), np.float32)
        found = depth(Curves(even, 0.02 * ones, ones, ones), np.full((12, 12), best))
        assert np.nanmax(np.abs(found.place - vertex)) < 0.01
        assert np.nanmax(found.u) < 0.25


def test_the_choice_is_that_of_the_neighbours_where_nothing_is_sharp() -> None:
    value = np.zeros((6, 20, 30), np.float32)
    value[1, :, :15], value[4, :, 15:] = 1, 1
    trust = np.ones((20, 30), np.float32)
    trust[5:9, 3:8] = 0  # bare
    value[5, 12, 5] = 2  # one place that stands out by itself
    trust[12, 5] = 0.3
    found = choose(value, trust)
    assert (found[:, :14] == 1).all()
    assert (found[:, 16:] == 4).all()


def test_noise_is_not_taken_for_sharpness() -> None:
    rng = np.random.default_rng(5)
    base = cv2.GaussianBlur(texture(200, 2, 1.0), (0, 0), 9.0)
    base = 0.4 + 8 * (base - base.mean())
    noisy = [(base + 0.01 * rng.standard_normal(base.shape)).astype(np.float32) for _ in range(12)]
    with pytest.raises(NotMeasurable, match="no place is sharper"):
        measure_stack(noisy)


def test_bare_places_have_no_depth() -> None:
    rng = np.random.default_rng(6)
    sharp = texture(240)
    sharp[60:180, 60:180] = 0.4  # a bare square
    run = [
        cv2.GaussianBlur(sharp, (0, 0), 0.5 + 0.9 * abs(n - 4))
        + 0.004 * rng.standard_normal(sharp.shape).astype(np.float32)
        for n in range(9)
    ]
    found = measure_stack(run)
    assert np.isnan(found.places[85:155, 85:155]).all()
    outside = found.places[8:45, 8:-8]
    assert np.isfinite(outside).mean() > 0.9
    assert np.nanmedian(outside) == pytest.approx(4.0, abs=0.1)


def test_a_one_sided_run_says_so() -> None:
    sharp = texture(200)
    run = [cv2.GaussianBlur(sharp, (0, 0), 0.4 + 0.9 * n) for n in range(7)]
    found = measure_stack(run)
    assert any("one-sided" in note and "first photo" in note for note in found.notes)
    assert found.first_share > 0.9
    assert "depth_range" not in found.findings() or np.isfinite(found.places).mean() < 0.05
    partial = measure_stack(list(photos())[3:])
    assert any("first photo" in note for note in partial.notes)


def refused(run: list[FloatImage], why: str) -> None:
    with pytest.raises(NotMeasurable, match=why) as raised:
        measure_stack(run)
    assert "\n" not in str(raised.value)


def test_runs_that_cannot_be_stacked_are_refused_in_one_line() -> None:
    some = list(photos())
    refused([], "0 photos are no focus stack")
    refused(some[:1], "1 photo is no focus stack")
    refused(some[:2], "2 photos are no focus stack")
    refused([*some[:3], some[3][:, :-4]], re.escape("photo 4 236 x 200"))
    refused([*some[:4], texture(240)[:200, :240], *some[5:]], "do not show the same detail")
    refused([*some[:4], np.zeros_like(some[0]), *some[5:]], "photo 5 is blank")
    refused([np.full_like(some[0], 0.3)] * 5, "blank")
    refused([some[4]] * 5, "no place is sharper")
    refused([np.dstack([some[0]] * 3), *some[1:]], "colour")
    refused([frame[:40, :40] for frame in some], "64 px")
    refused([*some[:4], some[6], some[5], some[4], *some[7:]], "not in the order of focus")
    refused([*some, *some[-2::-1]], "focus went back")
    refused([*some[:4], some[3], *some[5:]], "photos 4 and 5 are the same picture")
    moved = np.roll(some[4], 70, axis=1)
    refused([*some[:4], moved, *some[5:]], "px apart|same detail")


def test_what_is_sharp_in_one_photo_and_little_sharper_again_in_another_is_out_of_order() -> None:
    some = list(photos())
    # one of many places' photos comes again at the end, and is soft there: few rise by much
    again = cv2.GaussianBlur(some[3], (0, 0), 0.9)
    refused([*some, again], "grows sharper again|more than once")


def test_colour_is_kept() -> None:
    tint = np.array([0.5, 1.0, 0.8], np.float32)
    found = measure_stack([frame[..., None] * tint for frame in photos()[1:-1]])
    assert found.picture.shape == (200, 240, 3)
    seen = found.picture.reshape(-1, 3).mean(axis=0)
    assert seen[0] / seen[1] == pytest.approx(0.5, abs=0.01)
    assert math.isfinite(found.alignment.rms_px)


def test_photos_with_more_px_than_detail_are_judged_at_a_smaller_size() -> None:
    rng = np.random.default_rng(7)
    soft = texture(360, scale=7.0)
    run = [
        cv2.GaussianBlur(soft, (0, 0), 2.0 + 4.0 * abs(n - 3.4))
        + 0.006 * rng.standard_normal(soft.shape).astype(np.float32)
        for n in range(8)
    ]
    found = measure_stack(run)
    assert any("more px than detail" in note for note in found.notes)
    assert found.places.shape == (360, 360)
    assert np.isfinite(found.places).mean() > 0.4
    assert np.nanmedian(found.places) == pytest.approx(3.4, abs=0.15)
