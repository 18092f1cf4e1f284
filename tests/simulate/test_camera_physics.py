"""The virtual camera's noise, mosaic, enlargement and files behave as stated."""

from __future__ import annotations

import io
import textwrap
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as PillowImage
from tests.simulate.test_optics_physics import measured_response

from glassay import simulate
from glassay.imaging import read_photo, srgb_to_linear
from glassay.simulate import (
    Camera,
    Edge,
    FlatField,
    Lighting,
    Optics,
    Pose,
    RuledScale,
    capture,
    noise_variance,
    photograph,
    repeat_pair,
)

RAW = Camera(
    width=240, height=200, colour="grey", exposure=1.0, tone="linear", stored_bits=16,
    jpeg_quality=None, prnu=0.0, dark_spread_e=0.0, bits=14,
)  # fmt: skip


def flat_pair(level: float, camera: Camera) -> tuple[np.ndarray, np.ndarray]:
    pair = repeat_pair(FlatField(level), Pose(), Optics(), camera, seed=3)
    first, second = (shot.stored / 65535 for shot in pair)
    return first, second


def test_noise_variance_grows_with_the_mean_as_photons_do() -> None:
    # EMVA 1288 release 4.0, linear model: variance is linear in the mean, slope K, offset by the
    # dark noise
    camera = replace(RAW, full_well_e=5000.0, read_noise_e=6.0)
    levels = np.array([0.05, 0.2, 0.4, 0.6, 0.8])
    pairs = [flat_pair(float(level), camera) for level in levels]
    mean = np.array([(a + b).mean() / 2 for a, b in pairs])
    variance = np.array([(a - b).var() / 2 for a, b in pairs])
    assert mean == pytest.approx(levels, abs=0.001)
    # a variance from 48000 pixels is known to sqrt(2 / 48000) = 0.65 %
    assert variance == pytest.approx(noise_variance(mean, camera), rel=0.03)
    slope = np.polyfit(mean, variance, 1)[0]
    assert 1 / slope == pytest.approx(5000, rel=0.03)


def test_a_repeat_pair_differs_by_noise_without_structure() -> None:
    camera = replace(RAW, prnu=0.02, dark_spread_e=5.0)
    scene = RuledScale(division_um=20)
    first, second = repeat_pair(scene, Pose(), Optics(na=0.1), camera, seed=1)
    difference = (first.stored.astype(float) - second.stored) / 65535
    expected_sd = np.sqrt(2 * noise_variance(first.linear, camera))
    normal = difference / expected_sd
    assert normal.std() == pytest.approx(1, abs=0.02)
    assert abs(normal.mean()) < 4 / np.sqrt(normal.size)
    neighbours = (normal[:, 1:] * normal[:, :-1]).mean()
    assert abs(neighbours) < 4 / np.sqrt(normal.size)
    both = (first.stored / 65535 + second.stored / 65535) / 2 - first.linear
    assert (both / first.linear).std() > 0.015  # the fixed pattern is in both


def test_seeds_decide_the_bytes() -> None:
    arguments = (RuledScale(), Pose(1.0, 2.0), Optics(), Camera(width=160, height=120))
    assert capture(*arguments, seed=5).jpeg == capture(*arguments, seed=5).jpeg
    assert capture(*arguments, seed=5).jpeg != capture(*arguments, seed=6).jpeg


@pytest.mark.parametrize("demosaicing", ["bilinear", "edge-aware"])
def test_a_mosaic_keeps_flat_colours(demosaicing: str) -> None:
    colour = (0.7, 0.4, 0.2)
    camera = replace(Camera(width=64, height=48, exposure=1.0, jpeg_quality=None),
                     demosaicing=demosaicing)  # fmt: skip
    shot = capture(FlatField(colour), Pose(), Optics(), camera, seed=None)
    linear = srgb_to_linear(shot.stored / 255)
    assert linear[8:-8, 8:-8].mean(axis=(0, 1)) == pytest.approx(colour, abs=0.004)


def test_white_balance_makes_tinted_light_neutral_and_its_weak_colour_noisy() -> None:
    tint = (1.0, 0.9, 0.4)
    camera = Camera(width=128, height=96, exposure=0.5, balance_to=tint, jpeg_quality=None)
    optics = Optics(lighting=Lighting(tint=tint))
    shot = capture(FlatField(0.8), Pose(), optics, replace(camera, colour="full"), seed=1)
    means = shot.stored.mean(axis=(0, 1))
    assert means == pytest.approx([means[1]] * 3, abs=1.0)
    assert shot.stored[..., 2].std() > 1.2 * shot.stored[..., 0].std()


@pytest.mark.parametrize("resampling", ["nearest", "bilinear", "bicubic", "lanczos"])
def test_enlargement_keeps_the_middle_and_divides_the_pixel_size(resampling: str) -> None:
    scene = RuledScale(division_um=60, divisions=2, line_width_um=12, numeral_every=0)
    camera = replace(RAW, enlargement=1.5, resampling=resampling)
    shot = capture(scene, Pose(1.0), Optics(na=0.2), camera, seed=None)
    assert shot.stored.shape == (300, 360)
    assert shot.truth.pixel_size_um == pytest.approx(1 / 1.5)
    profile = shot.stored[140:160].mean(axis=0)
    for column in shot.truth.lines_px[:, 0]:
        part = slice(round(column) - 20, round(column) + 21)
        dark = profile.max() - profile[part]
        centroid = (dark * np.arange(part.start, part.stop)).sum() / dark.sum()
        # nearest copies whole pixels: a place is then known to a fraction of a pixel only
        assert centroid == pytest.approx(column, abs=0.3 if resampling == "nearest" else 0.05)


def test_sharpening_overshoots_at_lines() -> None:
    scene = RuledScale(division_um=60, divisions=2, line_width_um=12)
    plain = capture(scene, Pose(), Optics(na=0.2), RAW, seed=None).stored
    sharp = capture(scene, Pose(), Optics(na=0.2), replace(RAW, sharpening=1.5), seed=None).stored
    assert sharp.max() > plain.max() * 1.05


def test_overexposed_parts_clip() -> None:
    camera = Camera(width=64, height=48, exposure=2.0, jpeg_quality=None)
    shot = capture(FlatField(0.8), Pose(), Optics(), camera, seed=1)
    assert (shot.stored == 255).mean() > 0.99


def test_the_jpeg_file_holds_the_stored_pixels_at_the_stated_quality(tmp_path: Path) -> None:
    camera = Camera(width=160, height=120, jpeg_quality=40)
    shot = capture(RuledScale(), Pose(), Optics(), camera, seed=1)
    assert shot.jpeg is not None
    with PillowImage.open(io.BytesIO(shot.jpeg)) as image:
        assert (
            image.quantization[0][0] == 20
        )  # ITU-T T.81 table K.1 scaled to quality 40: 16 x 1.25
    photo = read_photo(shot.write(tmp_path / "a.jpg"))
    assert np.array_equal(photo.stored, shot.stored)
    better = photograph(
        shot.linear, RuledScale(), Pose(), Optics(), replace(camera, jpeg_quality=95), 1
    )
    assert better.jpeg is not None
    assert len(better.jpeg) > 1.5 * len(shot.jpeg)


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_lossless_files_hold_the_stored_pixels(tmp_path: Path, suffix: str) -> None:
    for camera in (RAW, Camera(width=64, height=48, jpeg_quality=None)):
        shot = capture(RuledScale(), Pose(), Optics(), camera, seed=1)
        photo = read_photo(shot.write(tmp_path / f"a.{suffix}"))
        assert np.array_equal(photo.stored, shot.stored)


@pytest.mark.parametrize(
    "change",
    [
        {"enlargement": 1.5, "resampling": "bilinear"},
        {"enlargement": 2.0, "resampling": "bicubic"},
        {"enlargement": 1.7, "resampling": "lanczos"},
        {"sharpening": 1.0, "sharpening_px": 1.5},
        {"enlargement": 1.5, "sharpening": 0.7, "sharpen_first": True},
        {"fill_factor": 0.5},
    ],
    ids=str,
)
def test_a_processed_edge_has_the_stated_response(change: dict[str, object]) -> None:
    camera = replace(RAW, processing="linear", **change)  # type: ignore[arg-type]
    scene, pose, optics = Edge(7.0, 0.3, 0.6), Pose(1.0), Optics(na=0.12)
    shot = capture(scene, pose, optics, camera, seed=None)
    f, response = measured_response(shot.stored / 65535, 7.0, 0.3)
    clear = (f > 0.04) & (f < 0.4)
    stated = shot.truth.mtf(f, -7.0)
    # what enlargement repeats beyond the sensor's own frequencies depends on the phase, and is
    # left out of the comparison
    clear &= f < 0.45 / camera.enlargement
    assert response[clear] == pytest.approx(np.abs(stated[clear]), abs=0.012)


def test_the_example_at_the_top_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert simulate.__doc__ is not None
    lines = [line for line in simulate.__doc__.splitlines() if line.startswith("    ")]
    names: dict[str, object] = {}
    exec(textwrap.dedent("\n".join(lines)), names)
    assert (tmp_path / "slide.jpg").stat().st_size > 1000
    assert names["shot"].truth.pixel_size_um == 1.1  # type: ignore[attr-defined]
