"""Predicted views: the response acts as written, detail folds back, and a real capture agrees."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage

from glassay.detail.predict import Response, compare_views, predict_view
from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage

STRAIGHT = Response(np.linspace(0, 1, 101), np.linspace(1, 0, 101))


def grating(cycles_per_um: float, pixel_um: float, side: int = 800) -> FloatImage:
    x = (np.arange(side) + 0.5) * pixel_um
    line = 0.5 + 0.4 * np.cos(2 * math.pi * cycles_per_um * x)
    return np.tile(line.astype(np.float32), (side, 1))


def amplitude(picture: FloatImage, cycles_per_px: float) -> float:
    """Amplitude of one frequency along x, away from the rim (a whole number of periods)."""
    row = picture[picture.shape[0] // 2].astype(np.float64)
    row = row[50:150]
    phase = np.exp(-2j * math.pi * cycles_per_px * np.arange(row.size))
    return float(2 * abs(np.mean((row - row.mean()) * phase)))


@pytest.mark.parametrize("cycles_per_px", [0.05, 0.1, 0.2, 0.4])
def test_contrast_is_what_the_response_says(cycles_per_px: float) -> None:
    view = predict_view(grating(cycles_per_px, 0.25), 0.25, STRAIGHT, 1.0)
    assert view.picture.shape == (200, 200)
    expected = 0.4 * (1 - cycles_per_px)
    assert amplitude(view.picture, cycles_per_px) == pytest.approx(expected, rel=0.01)
    assert float(view.picture[50:150, 50:150].mean()) == pytest.approx(0.5, abs=0.002)


def test_detail_beyond_the_pixels_folds_back() -> None:
    # 0.7 cycles/px is seen as 1 - 0.7 = 0.3 (sampling theorem), at its own modulation of 0.3.
    view = predict_view(grating(0.7, 0.25), 0.25, STRAIGHT, 1.0)
    assert amplitude(view.picture, 0.3) == pytest.approx(0.4 * 0.3, rel=0.02)
    assert amplitude(view.picture, 0.2) < 0.004


def test_the_sources_own_response_is_divided_out() -> None:
    blurred = 0.5 + (grating(0.2, 0.25) - 0.5) * 0.6
    own = Response(np.array([0.0, 0.05, 0.5]), np.array([1.0, 0.6, 0.0]))  # 0.2/um is 0.05 per px
    view = predict_view(blurred.astype(np.float32), 0.25, STRAIGHT, 1.0, scene_response=own)
    assert amplitude(view.picture, 0.2) == pytest.approx(0.4 * 0.8, rel=0.01)
    soft = Response(np.array([0.0, 0.02, 0.05]), np.array([1.0, 0.1, 0.0]))
    dull = predict_view(blurred.astype(np.float32), 0.25, STRAIGHT, 1.0, scene_response=soft)
    assert any("no longer carries" in note for note in dull.notes)


def test_what_cannot_be_predicted_is_refused() -> None:
    with pytest.raises(NotMeasurable, match="or finer"):
        predict_view(grating(0.1, 0.8), 0.8, STRAIGHT, 1.0)
    with pytest.raises(NotMeasurable, match="fewer than 32 px"):
        predict_view(grating(0.1, 0.25, 100), 0.25, STRAIGHT, 1.0)


def texture(seed: int = 0, side: int = 1200) -> FloatImage:
    """Rectangles like the wiring of a chip, on a grid of 0.25 um."""
    rng = np.random.default_rng(seed)
    scene = np.full((side, side), 0.3, dtype=np.float32)
    for _ in range(500):
        x, y = rng.integers(0, side, 2)
        w, h = rng.integers(4, 120, 2)
        scene[y : y + h, x : x + w] = rng.uniform(0.1, 0.9)
    return scene


SIGMA_PX = 0.8
"""Blur of the made-up instrument, in its own px; its px are 4 px of the scene."""


def taken(scene: FloatImage, noise: float = 0.005) -> FloatImage:
    """A capture by other means: Gaussian blur in space, mean over each pixel, noise."""
    blurred = ndimage.gaussian_filter(scene.astype(np.float64), 4 * SIGMA_PX)
    side = scene.shape[0] // 4
    boxed = blurred[: 4 * side, : 4 * side].reshape(side, 4, side, 4).mean(axis=(1, 3))
    noisy = boxed + np.random.default_rng(1).normal(0, noise, boxed.shape)
    return np.asarray(0.1 + 0.7 * noisy, dtype=np.float32)


def gaussian_response() -> Response:
    f = np.linspace(0, 1, 201)
    # The pixel is square; along a direction between its axes its mean transfer is taken.
    angles = np.linspace(0, math.pi / 2, 31)
    pixel = np.mean([np.sinc(f * np.cos(a)) * np.sinc(f * np.sin(a)) for a in angles], axis=0)
    return Response(f, np.exp(-2 * (math.pi * SIGMA_PX * f) ** 2) * pixel)


def test_a_real_capture_agrees_with_its_prediction() -> None:
    scene = texture()
    view = predict_view(scene, 0.25, gaussian_response(), 1.0)
    found = compare_views(view.picture, taken(scene))
    assert found.correlation > 0.998
    assert found.window[:2] == (60, 60)  # the middle 180 px of 300
    assert abs(found.rotation_deg) < 0.05
    assert found.ratio[found.frequency <= 0.25] == pytest.approx(1, abs=0.03)
    detail = found.findings()["detail_ratio"].quantity
    assert detail.value == pytest.approx(1, abs=0.02)


def test_a_sharper_prediction_than_fact_shows_in_the_ratio_of_detail() -> None:
    scene = texture()
    perfect = Response(np.linspace(0, 1, 201), np.sinc(np.linspace(0, 1, 201)))
    view = predict_view(scene, 0.25, perfect, 1.0)
    found = compare_views(view.picture, taken(scene))
    at = np.interp(0.2, found.frequency, found.ratio)
    expected = math.exp(-2 * (math.pi * SIGMA_PX * 0.2) ** 2)
    assert at == pytest.approx(expected, rel=0.05)


def test_a_turned_and_shifted_capture_is_found() -> None:
    scene = texture()
    view = predict_view(scene, 0.25, gaussian_response(), 1.0)
    turned = ndimage.rotate(scene, 3.0, reshape=False, order=1, mode="reflect")
    shifted = np.roll(turned, (-12, 20), axis=(0, 1))  # 3 px up, 5 px to the right
    found = compare_views(view.picture, taken(np.asarray(shifted, dtype=np.float32)))
    assert abs(found.rotation_deg) == pytest.approx(3.0, abs=0.1)
    assert found.correlation > 0.98


def test_another_scene_is_refused() -> None:
    view = predict_view(texture(), 0.25, gaussian_response(), 1.0)
    with pytest.raises(NotMeasurable):
        compare_views(view.picture, taken(texture(seed=9)))
