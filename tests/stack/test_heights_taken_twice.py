"""A height that a run shows twice is no step of focus, be it taken again or repeated by the camera."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import numpy.typing as npt
import pytest
from click.testing import CliRunner

from glassay.cli import program
from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity
from glassay.stack import StackResult, measure_stack
from glassay.stack.doubles import Changes, in_words, repeats
from tests.stack.runs import STEP_UM, TABLE, stacked, two_heights

STEP = Quantity(STEP_UM, "um")


def of_heights(again: Sequence[int]) -> list[npt.NDArray[np.uint8]]:
    """The run with these photos (counted from 0) taken once more: other noise, another shake."""
    run = two_heights()
    focus = [z for n, z in enumerate(run.focus_um) for _ in range(1 + (n in again))]
    return [stored for stored, _ in replace(run, focus_um=tuple(focus)).photos()]


def deep(found: StackResult) -> Quantity:
    told = found.depth_range()
    assert told is not None
    return told


@pytest.mark.parametrize(
    ("again", "words"),
    [((4,), "photos 5 and 6 differ"), ((2, 5), "photos 3 and 4, 7 and 8 differ")],
)
def test_a_height_taken_twice_is_no_step(again: tuple[int, ...], words: str) -> None:
    found = measure_stack([np.asarray(TABLE[one]) for one in of_heights(again)], step=STEP)
    assert found.frames == len(two_heights().focus_um)
    told, plain = deep(found), deep(stacked())
    assert told.unit == "steps"
    assert told.value == pytest.approx(plain.value, abs=0.2)
    (note,) = [note for note in found.notes if "noise alone" in note]
    assert words in note
    assert "not in um" in note


def test_even_steps_are_told_in_um() -> None:
    found = measure_stack([np.asarray(TABLE[one]) for one in of_heights(())], step=STEP)
    assert deep(found).unit == "um"
    assert not [note for note in found.notes if "noise alone" in note]


@pytest.mark.parametrize("middle", [3.4, 3.5, 4.0])
def test_two_photos_about_best_focus_look_alike_and_are_a_step(middle: float) -> None:
    rng = np.random.default_rng(3)
    soft = cv2.GaussianBlur(rng.standard_normal((200, 200)).astype(np.float32), (0, 0), 1.5)
    soft = 0.4 + 0.1 * soft / soft.std()
    run: list[FloatImage] = [
        cv2.GaussianBlur(soft, (0, 0), 0.5 + 1.5 * abs(n - middle))
        + 0.003 * rng.standard_normal(soft.shape).astype(np.float32)
        for n in range(9)
    ]
    found = measure_stack(run, step=STEP)
    assert found.frames == 9
    assert found.step is not None


def changes(*steps: float, noise: float = 0.0) -> Changes:
    """Of a run in which all changes by these steps: half of it sharpest before it and half after."""
    rng = np.random.default_rng(2)
    place = np.concatenate([[0], np.cumsum(steps)])
    bands = np.outer(place, rng.standard_normal(5000))
    bands += noise * rng.standard_normal(bands.shape)
    peak = np.where(np.arange(5000) % 2, -5, len(place) + 5)
    return Changes(bands.astype(np.float16), peak)


def test_repeats_are_short_steps_between_others_whatever_the_noise() -> None:
    assert repeats(changes(1, 1, 0.0, 1, 1, 1, noise=0.5)) == [3]
    assert repeats(changes(1, 1, 0.02, 0.01, 1, 1)) == [3, 4]
    assert repeats(changes(1, 0, 1, 0, 1, 0, 1, 0, 1)) == [2, 4, 6, 8]
    assert repeats(changes(1, 1, 1, 0.4, 1, 1, 1, noise=0.5)) == []
    assert repeats(changes(5, 4, 3, 2, 1.2, 1, 1.2, 2, 3, 4)) == []
    assert repeats(changes(0.01, 0.1, 0.4, 2, 5, 4, 1.5, 0.3, 0.1, 0.01)) == []
    assert repeats(changes(1, 1, 1)) == []
    named = in_words([1, 4, 5, 8, 10, 12], "frame")
    assert named.startswith("frames 1 and 2, 4 to 6, 8 and 9, 10 and 11 and others differ")
    assert named.endswith("6 are left out")


def clip(path: Path, pictures: Sequence[npt.NDArray[np.uint8]], times: Sequence[int]) -> Path:
    """A clip of grey pictures, shown at `times` in 1/60 s."""
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("mpeg4", rate=60)
        stream.height, stream.width = pictures[0].shape
        stream.pix_fmt, stream.bit_rate = "yuv420p", 8_000_000
        stream.codec_context.time_base = Fraction(1, 60)
        for picture, time in zip(pictures, times, strict=True):
            frame = av.VideoFrame.from_ndarray(picture, format="gray").reformat(format="yuv420p")
            frame.pts, frame.time_base = time, Fraction(1, 60)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def told(path: Path) -> dict[str, Any]:
    out = path.with_suffix(".tif")
    given = ["stack", str(path), "--out", str(out), "--step", f"{STEP_UM}um", "--json"]
    done = CliRunner().invoke(program, given)
    assert done.exit_code == 0, done.output
    return dict(json.loads(done.output))


def test_frames_that_a_camera_repeats_are_no_steps(tmp_path: Path) -> None:
    some = of_heights(())
    shown = [one for n, one in enumerate(some) for _ in range(1 + (n in (1, 3, 5, 7)))]
    said = told(clip(tmp_path / "run.mp4", shown, range(0, 2 * len(shown), 2)))
    assert said["findings"]["frames"]["value"] == len(some)
    depth = said["findings"]["depth_range"]
    assert depth["unit"] == "steps"
    assert depth["value"] == pytest.approx(deep(stacked()).value, abs=0.3)
    assert any("frames 2 and 3, 5 and 6" in note for note in said["notes"])


def test_a_clip_that_lacks_frames_tells_no_um(tmp_path: Path) -> None:
    some = of_heights(())
    even = told(clip(tmp_path / "even.mp4", some, range(0, 2 * len(some), 2)))
    assert even["findings"]["depth_range"]["unit"] == "um"
    times = [2 * n for n in range(len(some)) if n != 4]
    lacks = told(clip(tmp_path / "lacks.mp4", [*some[:4], *some[5:]], times))
    assert lacks["findings"]["depth_range"]["unit"] == "steps"
    assert any("do not follow each other evenly (33 to 67 ms)" in note for note in lacks["notes"])
