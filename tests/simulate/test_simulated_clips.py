"""Clips show what their truth says, frame by frame, in every container."""

from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from glassay.simulate import (
    Camera,
    ClipPlan,
    Die,
    Optics,
    Pose,
    Texture,
    cut_off,
    expected,
    film,
    focus_run,
    turn_clip,
    write_sound,
)
from glassay.simulate.render import Moment, expected_moments

CAMERA = Camera(width=160, height=120, exposure=1.2, jpeg_quality=None)
OPTICS = Optics(na=0.08)
CHIP = Texture("cloud", detail_um=3, contrast=0.2)


def decoded(path: Path) -> tuple[list[np.ndarray], list[float]]:
    with av.open(str(path)) as container:
        frames = list(container.decode(video=0))
    pictures = [f.to_ndarray(format="gray").astype(float) for f in frames]
    return pictures, [float(f.pts * f.time_base) for f in frames]


def test_a_displaced_moment_is_the_scene_photographed_elsewhere() -> None:
    shift = (3.37, -2.6)
    moved = next(
        iter(expected_moments(CHIP, Pose(2.0), OPTICS, CAMERA, [Moment(shift)], np.float64))
    )
    there = expected(CHIP, Pose(2.0, 0.0, (-2 * 3.37, 2 * 2.6)), OPTICS, CAMERA, np.float64)
    assert moved == pytest.approx(there, abs=0.003)


@pytest.mark.parametrize(
    ("suffix", "codec"), [("mp4", "h264"), ("mov", "h264"), ("mkv", "h265"), ("avi", "mjpeg")]
)
def test_files_hold_the_planned_frames_and_times(tmp_path: Path, suffix: str, codec: str) -> None:
    plan = ClipPlan(frames=12, rate=25, dropped=(5,))
    clip = film(CHIP, Pose(2.0), OPTICS, CAMERA, plan)
    path = clip.write(tmp_path / f"a.{suffix}", codec, quality=4)  # type: ignore[arg-type]
    pictures, times = decoded(path)
    assert len(pictures) == 11
    assert pictures[0].shape == (120, 160)
    expected_times = np.arange(11) / 25 if suffix == "avi" else clip.truth.times_s
    assert np.diff(times) == pytest.approx(np.diff(expected_times), abs=0.0015)
    first = next(iter(clip.frames()))
    grey = cv2.cvtColor(first, cv2.COLOR_RGB2GRAY).astype(float)
    assert np.corrcoef(grey.ravel(), pictures[0].ravel())[0, 1] > 0.98


def test_repeated_frames_are_equal_and_others_are_not() -> None:
    plan = ClipPlan(frames=16, rate=30, sensor_rate=20, repeated=(6,))
    clip = film(CHIP, Pose(2.0), OPTICS, CAMERA, plan, seed=3)
    frames = list(clip.frames())
    same = [i for i in range(1, 16) if np.array_equal(frames[i], frames[i - 1])]
    assert same == clip.truth.repeated.tolist()
    assert 6 in same
    assert clip.truth.delivered_rate == pytest.approx(11 / (16 / 30))


def test_a_slow_sensor_delivers_its_own_rate() -> None:
    plan = ClipPlan(frames=60, rate=30, sensor_rate=15)
    truth = film(CHIP, Pose(2.0), OPTICS, CAMERA, plan).truth
    assert truth.delivered_rate == pytest.approx(15)
    assert truth.duration_s == pytest.approx(2)


def test_frames_move_as_the_truth_says() -> None:
    plan = ClipPlan(frames=8, rate=10, shake_um=3.0, drift_um_s=(4.0, -2.0))
    camera = Camera(width=160, height=120, colour="grey", exposure=1.2, jpeg_quality=None,
                    tone="linear", stored_bits=16, full_well_e=1e6)  # fmt: skip
    clip = film(CHIP, Pose(2.0), OPTICS, camera, plan, seed=5)
    frames = [f.astype(np.float64) for f in clip.frames()]
    for frame, shift in zip(frames[1:], clip.truth.shifts_px[1:], strict=True):
        wanted = shift - clip.truth.shifts_px[0]
        start = np.float32([[1, 0, wanted[0] + 0.3], [0, 1, wanted[1] - 0.3]])
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 100, 1e-6)
        small, other = (np.float32(f / 65535) for f in (frames[0], frame))
        _, found = cv2.findTransformECC(small, other, start, cv2.MOTION_TRANSLATION, stop)
        assert found[:, 2] == pytest.approx(wanted, abs=0.05)


def test_shake_has_the_stated_size() -> None:
    plan = ClipPlan(frames=1500, rate=30, shake_um=4.0)
    shifts = film(CHIP, Pose(2.0), OPTICS, CAMERA, plan, seed=2).truth.shifts_px
    assert shifts.std(axis=0) == pytest.approx([2.0, 2.0], rel=0.15)


def test_flicker_is_in_the_light() -> None:
    plan = ClipPlan(frames=10, rate=30, flicker=0.1, flicker_hz=7)
    clip = film(Texture(contrast=0.0), Pose(2.0), OPTICS,
                Camera(64, 48, "grey", tone="linear", jpeg_quality=None), plan)  # fmt: skip
    means = np.array([f.mean() for f in clip.frames()])
    assert means / means.mean() == pytest.approx(
        clip.truth.levels / clip.truth.levels.mean(), abs=0.003
    )


def test_a_fragmented_file_can_be_read_as_far_as_it_goes(tmp_path: Path) -> None:
    clip = film(CHIP, Pose(2.0), OPTICS, CAMERA, ClipPlan(frames=24))
    whole = clip.write(tmp_path / "a.mp4", fragmented=True, key_interval=6)
    short = cut_off(whole, 0.6, tmp_path / "b.mp4")
    found = 0
    with av.open(str(short)) as container:
        try:
            for _ in container.decode(video=0):
                found += 1
        except av.error.FFmpegError:
            pass  # the last fragment is incomplete
    assert 5 <= found < 24


def test_odd_sizes_can_be_written(tmp_path: Path) -> None:
    camera = Camera(width=101, height=75, jpeg_quality=None)
    clip = film(CHIP, Pose(2.0), OPTICS, camera, ClipPlan(frames=3))
    assert decoded(clip.write(tmp_path / "a.mp4"))[0][0].shape == (74, 100)
    assert decoded(clip.write(tmp_path / "a.avi", "mjpeg", 5))[0][0].shape == (75, 101)


def test_contrast_peaks_in_focus_and_the_picture_walks_as_stated() -> None:
    z = [-150.0, -75.0, 0.0, 75.0, 150.0]
    walk = [(0.0, 0.0), (2.0, 0.0), (4.0, 1.0), (6.0, 2.0), (8.0, 2.0)]
    run = focus_run(Die(), Pose(1.5), Optics(na=0.1), CAMERA, z, walk_um=walk)
    contrast = [shot.linear[..., 1].std() for shot in run.captures]
    assert int(np.argmax(contrast)) == 2
    assert contrast[0] == pytest.approx(contrast[4], rel=0.1)
    assert run.shifts_px[2] == pytest.approx([4 / 1.5, 1 / 1.5])
    assert run.captures[0].truth.mtf(0.1) < run.captures[2].truth.mtf(0.1)


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_a_turned_clip_says_so(tmp_path: Path, quarter_turns: int) -> None:
    path = film(CHIP, Pose(2.0), OPTICS, CAMERA, ClipPlan(frames=2)).write(tmp_path / "a.mp4")
    turned = turn_clip(path, quarter_turns, tmp_path / "b.mp4")
    with av.open(str(turned)) as container:
        frame = next(container.decode(video=0))
    # the container's angle is counter-clockwise
    assert (-frame.rotation) % 360 == 90 * quarter_turns
    assert frame.width == 160


def test_a_sound_file_has_no_picture(tmp_path: Path) -> None:
    with av.open(str(write_sound(tmp_path / "a.mp4"))) as container:
        assert not container.streams.video
        assert len(container.streams.audio) == 1
