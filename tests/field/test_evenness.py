"""Evenness of flat fields against the light that was simulated."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from glassay.errors import NotMeasurable
from glassay.field import Evenness, flat_correction, measure_evenness
from glassay.imaging.tone import OTHER_TONES, linear_table
from glassay.simulate import Camera, Capture, FlatField, Lighting, Optics, Pose, Texture, capture

CAMERA = Camera(width=480, height=360)
TABLE = linear_table(8, "srgb")
PLAIN = Optics()


@lru_cache(maxsize=16)
def flat(optics: Optics = PLAIN, exposure: float = 0.8) -> Capture:
    camera = Camera(width=480, height=360, exposure=exposure)
    return capture(FlatField(0.6), Pose(1.5), optics, camera, seed=5)


def measured(shot: Capture) -> Evenness:
    return measure_evenness(TABLE[shot.stored], full=(shot.stored == 255).any(axis=2))


def zone(light: np.ndarray, x: float, y: float) -> float:
    """Mean of the zone a tenth of the height wide at shares x, y of the way across and down."""
    side = light.shape[0] // 10
    left = round(x * (light.shape[1] - side))
    top = round(y * (light.shape[0] - side))
    return float(light[top : top + side, left : left + side].mean())


def test_dark_corners_are_measured_against_the_centre() -> None:
    shot = flat(Optics(vignetting=0.2))
    found = measured(shot)
    light = shot.linear[..., 1]
    corners = [zone(light, x, y) for x in (0, 1) for y in (0, 1)]
    edges = [zone(light, *at) for at in ((0, 0.5), (1, 0.5), (0.5, 0), (0.5, 1))]
    centre = zone(light, 0.5, 0.5)
    assert found.corner is not None
    assert found.corner.value == pytest.approx(100 * np.mean(corners) / centre, abs=0.3)
    assert found.edge.value == pytest.approx(100 * np.mean(edges) / centre, abs=0.3)
    assert not found.hot_spots


def test_the_vignetting_law_gives_the_corner_that_it_says() -> None:
    # (1 + v r^2)^-2 at the middle of the corner zones, r about 0.93 half diagonals.
    found = measured(flat(Optics(vignetting=0.2)))
    side = 0.05 * 360 / np.hypot(240, 180)
    r2 = ((240 / 300) - side) ** 2 + ((180 / 300) - side) ** 2
    assert found.corner is not None
    assert found.corner.value == pytest.approx(100 / (1 + 0.2 * r2) ** 2, abs=0.7)


@pytest.mark.parametrize("exponent", [1.0, 1.8, 2.6])
def test_a_tone_curve_that_was_only_assumed_is_in_every_uncertainty(exponent: float) -> None:
    y, x = np.mgrid[-1:1:240j, -1:1:320j]
    rng = np.random.default_rng(3)
    light = 0.6 * (1 - 0.13 * (x**2 + y**2)) + rng.normal(0, 0.002, x.shape)
    stored = np.rint(255 * light ** (1 / exponent)).astype(np.uint8)
    truth = 100 * np.mean([zone(light, a, b) for a in (0, 1) for b in (0, 1)])
    truth /= zone(light, 0.5, 0.5)
    plain = measure_evenness(TABLE[stored])
    found = measure_evenness(TABLE[stored], other_tones=OTHER_TONES)
    assert plain.corner is not None
    assert found.corner is not None
    assert found.corner.value == plain.corner.value
    assert abs(found.corner.value - truth) <= found.corner.expanded
    if exponent != 1.8:  # of which sRGB is not far
        assert abs(plain.corner.value - truth) > plain.corner.expanded
    assert found.findings()["evenness"].quantity.u > 3 * plain.evenness.u


def test_lamps_of_a_ring_light_are_found_where_they_are() -> None:
    light = Lighting(level=0.7, hot_spots=4, hot_spot_level=0.15, gradient=(0.1, 0.1))
    found = measured(flat(Optics(lighting=light)))
    assert len(found.hot_spots) == 4
    ring = light.hot_spot_ring * 300
    angles = np.radians(light.hot_spot_phase_deg + 90 * np.arange(4))
    for spot in found.hot_spots:
        away = np.hypot(
            spot.x - 239.5 - ring * np.cos(angles), spot.y - 179.5 - ring * np.sin(angles)
        )
        assert away.min() < 2
        # 0.15 of full scale over a centre of 0.6 x 0.7; the spots' own skirts lift the centre a bit
        assert spot.excess == pytest.approx(0.15 / 0.42, rel=0.1)
        # half of a Gaussian of 0.06 half diagonals lies within 2.355 sigma
        assert spot.diameter_px == pytest.approx(2.355 * 0.06 * 300, rel=0.15)


def test_a_tinted_corner_shows_as_a_colour_shift() -> None:
    shot = flat()
    light = TABLE[shot.stored].copy()
    ramp = np.linspace(1, 1.2, light.shape[1], dtype=np.float32)
    light[..., 0] *= ramp[None, :]
    found = measure_evenness(light)
    assert found.red_shift is not None
    assert found.blue_shift is not None
    # Cells are a fifth of the height wide: the leftmost one's middle is 36 px from the border, where
    # the ramp is 1.015 against 1.1 at the centre.
    assert found.red_shift.value == pytest.approx(-7.7, abs=0.4)
    assert abs(found.blue_shift.value) < 0.5


def test_a_round_field_is_judged_at_its_rim() -> None:
    found = measured(flat(Optics(field_stop_um=480, vignetting=0.3)))
    assert found.corner is None
    assert found.field_stop is not None
    radius = 0.9 * 480 / 1.5 / 2 / 300  # half diagonals
    assert found.edge.value == pytest.approx(100 / (1 + 0.3 * radius**2) ** 2, abs=1.0)


def test_the_correction_image_makes_another_photo_even() -> None:
    optics = Optics(vignetting=0.3, lighting=Lighting(gradient=(0.2, 0.1)))
    gain = flat_correction(TABLE[flat(optics).stored])
    other = capture(FlatField(0.5), Pose(1.5), optics, CAMERA, seed=77)
    before = measure_evenness(TABLE[other.stored])
    after = measure_evenness(np.asarray(TABLE[other.stored] * gain, dtype=np.float32))
    assert gain.dtype == np.float32
    assert before.evenness.value < 65
    assert after.evenness.value > 98


@pytest.mark.parametrize(
    ("shot", "words"),
    [
        (lambda: flat(exposure=3.0), "full scale"),
        (lambda: flat(exposure=0.02), "nearly black"),
        (
            lambda: capture(Texture(contrast=0.25), Pose(1.5), Optics(), CAMERA, seed=1),
            "structure",
        ),
    ],
)
def test_what_is_no_usable_flat_field_is_refused(shot: object, words: str) -> None:
    with pytest.raises(NotMeasurable, match=words):
        measured(shot())  # type: ignore[operator]


def test_blank_and_tiny_pictures_are_refused() -> None:
    with pytest.raises(NotMeasurable, match="same value"):
        measure_evenness(np.full((100, 100), 0.5, dtype=np.float32))
    with pytest.raises(NotMeasurable, match="too small"):
        measure_evenness(np.zeros((20, 100), dtype=np.float32))
