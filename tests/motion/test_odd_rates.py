"""Clips of varying rate, what a codec does to the light, and words for numbers that are not known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from glassay.cli import program
from glassay.imaging.clip import open_clip
from glassay.motion import measure_clip
from glassay.motion.cadence import Comparison, Repeats, find_repeats
from glassay.motion.flicker import measure_flicker
from glassay.motion.intervals import delivered_rate, look_at_intervals
from glassay.simulate import Camera, ClipPlan, Optics, Pose, Texture, film

CAMERA = Camera(width=240, height=180, exposure=1.2, jpeg_quality=None)
CHIP = Texture("cloud", detail_um=3, contrast=0.25)


def no_repeats(frames: int) -> Repeats:
    moving = np.full(frames - 1, 3.0)
    return find_repeats(Comparison(moving, moving, np.zeros(frames - 1, np.bool_), False))


@pytest.mark.parametrize("kind", ["alternating", "slower at the end"])
def test_the_last_frame_of_a_clip_of_varying_rate_lasts_nobody_knows_how_long(kind: str) -> None:
    """Its interval was taken for the usual one: off by 9 and 40 of the U told, 74 frames missing."""
    n = np.arange(150)
    if kind == "alternating":
        steps = np.where(n % 2, 1 / 24, 1 / 60)
    else:
        steps = np.where(n < 75, 1 / 30, 1 / 15)
    times = np.concatenate([[0.0], np.cumsum(steps)[:-1]])
    found = look_at_intervals(times)
    assert found is not None
    assert (found.missing, found.uneven) == (0, 74)
    assert found.varies
    last = sum(found.last_s) / 2
    rate = delivered_rate(no_repeats(150), 150, float(times[-1]) + last, 0.0, found)
    low, high = rate.interval
    for last in found.last_s:
        assert low <= 150 / (times[-1] + last) <= high
    assert rate.relative < 0.003


def test_frames_left_out_here_and_there_are_missing() -> None:
    times = np.array([n / 30 for n in range(150) if n % 10 != 3])
    found = look_at_intervals(times)
    assert found is not None
    assert (found.missing, found.uneven) == (15, 0)


def test_what_the_coding_of_frames_does_to_light_is_no_flicker_of_a_lamp() -> None:
    """Every fourth frame was lighter: told as 0.0030 +/- 0.0004 at a quarter of the rate."""
    rng = np.random.default_rng(5)
    n = np.arange(150)
    levels = 0.4 * (1 + np.where(n % 4 == 0, 0.003, 0.0)) + rng.normal(0, 2e-4, n.size)
    coded = 2 * (n % 4 != 0).astype(np.int64)
    found = measure_flicker(n / 30, levels, coded)
    assert found is not None
    assert found.frequency is None
    assert found.amplitude.interval[0] <= 0
    plain = measure_flicker(n / 30, levels, np.ones(n.size, np.int64))  # each frame by itself
    assert plain is not None
    assert plain.frequency is not None
    lamp = measure_flicker(n / 30, 0.4 * (1 + 0.02 * np.sin(2 * np.pi * 10 * n / 30)), coded)
    assert lamp is not None
    assert lamp.frequency is not None
    assert lamp.frequency.value == pytest.approx(10, abs=0.1)


def test_constant_light_through_a_codec_does_not_flicker(tmp_path: Path) -> None:
    plan = ClipPlan(frames=60, rate=30, shake_um=1)
    clip = film(CHIP, Pose(2.0), Optics(na=0.08), CAMERA, plan, seed=4)
    found = measure_clip(open_clip(clip.write(tmp_path / "a.mp4", "h264", 18, blends=False)))
    assert found.flicker is not None
    assert found.flicker.frequency is None
    assert found.flicker.amplitude.interval[0] <= 0


def test_a_number_that_is_not_known_is_said_to_be_unknown(tmp_path: Path) -> None:
    clip = film(CHIP, Pose(2.0), Optics(na=0.08), CAMERA, ClipPlan(frames=30, sensor_rate=30))
    path = clip.write(tmp_path / "a.mp4", "h264", 34, blends=False)
    said = CliRunner().invoke(program, ["clip", str(path)]).output
    assert "unknown, at most 30 1/s" in said
    assert "unknown, of 30 frames" in said
