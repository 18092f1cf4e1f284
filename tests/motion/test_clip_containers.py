"""What a clip's container says, beside ffprobe; and files that end early or are no clips."""

from __future__ import annotations

import json
import shutil
import subprocess
import weakref
from functools import cache
from pathlib import Path

import av
import numpy as np
import pytest

from glassay.errors import NotMeasurable, Unusable
from glassay.imaging.clip import ClipReader, Frame, open_clip
from glassay.motion import ClipResult, measure_clip
from glassay.simulate import (
    Camera,
    Clip,
    ClipPlan,
    Optics,
    Pose,
    Texture,
    cut_off,
    film,
    turn_clip,
    write_sound,
)

SAMPLES = Path("/usr/share/doc/opencv-doc/examples/data")
"""Sample videos of Debian's package opencv-doc."""

CODINGS = [("mp4", "h264"), ("mov", "mjpeg"), ("mkv", "h265"), ("avi", "mjpeg")]


def small_clip(frames: int = 24, width: int = 160, height: int = 120, **plan: object) -> Clip:
    camera = Camera(width=width, height=height, jpeg_quality=None)
    wanted = ClipPlan(frames=frames, rate=25.0, shake_um=4.0, **plan)  # type: ignore[arg-type]
    return film(Texture(contrast=0.3), Pose(2.0), Optics(na=0.08), camera, wanted, seed=2)


def probe(path: Path) -> dict[str, str]:
    """The video stream's entries by ffprobe, an independent program on the same libraries."""
    if shutil.which("ffprobe") is None:
        pytest.skip("ffprobe is not installed")
    entries = "codec_name,width,height,avg_frame_rate,nb_read_frames,duration"
    command = ["ffprobe", "-v", "error", "-select_streams", "v:0", "-count_frames",
               "-show_entries", f"stream={entries}:format=duration", "-of", "json",
               str(path)]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found = json.loads(done.stdout)
    stream: dict[str, str] = found["streams"][0]
    return {"duration": found["format"]["duration"]} | stream


@cache
def measured(sample: str) -> ClipResult:
    """What is told of a sample video, once for all that ask."""
    return measure_clip(open_clip(SAMPLES / sample))


def assert_agrees_with_ffprobe(path: Path, found: ClipResult) -> None:
    told = probe(path)
    above, below = (int(part) for part in told["avg_frame_rate"].split("/"))
    assert found.facts.codec == told["codec_name"]
    assert (found.facts.width, found.facts.height) == (told["width"], told["height"])
    assert found.frames == int(told["nb_read_frames"])
    assert found.nominal_rate == pytest.approx(above / below, rel=0.01)
    assert found.duration_s == pytest.approx(float(told["duration"]), rel=0.01)
    assert not found.truncated


@pytest.mark.parametrize("name", ["Megamind.avi", "Megamind_bugy.avi", "tree.avi"])
def test_real_videos_are_read_as_ffprobe_reads_them(name: str) -> None:
    if not (SAMPLES / name).exists():
        pytest.skip("opencv-doc is not installed")
    assert_agrees_with_ffprobe(SAMPLES / name, measured(name))


@pytest.mark.parametrize(("suffix", "codec"), CODINGS)
def test_written_clips_are_read_as_ffprobe_reads_them(
    tmp_path: Path, suffix: str, codec: str
) -> None:
    path = small_clip().write(tmp_path / f"a.{suffix}", codec, 5 if codec == "mjpeg" else 20)  # type: ignore[arg-type]
    assert_agrees_with_ffprobe(path, measure_clip(open_clip(path)))


def test_the_damaged_sample_has_frames_unlike_both_neighbours() -> None:
    if not (SAMPLES / "Megamind.avi").exists():
        pytest.skip("opencv-doc is not installed")
    sound, damaged = measured("Megamind.avi"), measured("Megamind_bugy.avi")
    assert sound.spoilt == ()
    assert {5, 10, 20} <= set(damaged.spoilt)  # seen by eye: a white bar across these frames


@pytest.mark.parametrize(
    ("suffix", "codec", "fragmented"),
    [("avi", "mjpeg", False), ("mkv", "h264", False), ("mp4", "h264", True)],
)
def test_a_file_cut_off_is_read_as_far_as_it_goes(
    tmp_path: Path, suffix: str, codec: str, fragmented: bool
) -> None:
    clip = small_clip(frames=40)
    whole = clip.write(tmp_path / f"a.{suffix}", codec, 8, fragmented=fragmented, key_interval=6)  # type: ignore[arg-type]
    assert not measure_clip(open_clip(whole)).truncated
    found = measure_clip(open_clip(cut_off(whole, 0.6, tmp_path / f"b.{suffix}")))
    assert found.truncated
    assert 10 < found.frames < 35
    assert found.duration_s == pytest.approx(found.frames / 25)
    assert f"stops after {found.duration_s:.2f} s" in found.notes[0]


@pytest.mark.parametrize("tagged", [True, False])
def test_a_clip_whose_stamps_do_not_begin_at_zero_is_whole(tmp_path: Path, tagged: bool) -> None:
    """Matroska's duration counts from 0, whatever the first stamp is (RFC 9559, Duration)."""
    whole = small_clip(frames=40).write(tmp_path / "a.mkv", "h264", 8, key_interval=6, blends=False)
    late = tmp_path / "late.mkv"
    with av.open(whole) as source, av.open(late, "w") as out:
        stream = out.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.pts is not None:  # the last one is empty
                packet.stream = stream
                packet.pts += 100_000  # ms
                packet.dts = packet.pts  # no frame is coded from a later one
                out.mux(packet)
    if not tagged:  # as other programs write it
        late.write_bytes(late.read_bytes().replace(b"DURATION", b"DURABILE"))
    found = measure_clip(open_clip(late))
    assert not found.truncated
    assert found.duration_s == pytest.approx(1.6, abs=0.05)
    assert measure_clip(open_clip(cut_off(late, 0.6, tmp_path / "b.mkv"))).truncated


def test_a_recording_without_its_index_is_refused_with_the_reason(tmp_path: Path) -> None:
    whole = small_clip(frames=6).write(tmp_path / "a.mp4")
    with pytest.raises(Unusable, match="index that is written at its end is missing"):
        open_clip(cut_off(whole, 0.6, tmp_path / "b.mp4"))


def test_a_file_that_ends_within_its_first_frame_says_so(tmp_path: Path) -> None:
    whole = small_clip(frames=6).write(tmp_path / "a.mkv", "h265")
    with pytest.raises(Unusable, match="cut off before its first frame"):
        open_clip(cut_off(whole, 0.2, tmp_path / "b.mkv"))


def test_what_is_no_clip_is_unusable(tmp_path: Path) -> None:
    empty = tmp_path / "empty.mp4"
    empty.touch()
    text = tmp_path / "text.avi"
    text.write_text("this is not a clip\n" * 50)
    for path, words in (
        (empty, "is empty"), (text, "not a clip that can be read"), (tmp_path, "is a folder"),
        (tmp_path / "none.mp4", "no such file"), (write_sound(tmp_path / "a.mp4"), "sound only"),
    ):  # fmt: skip
        with pytest.raises(Unusable, match=words):
            open_clip(path)


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_turned_clip_is_measured_upright(tmp_path: Path, turns: int) -> None:
    clip = small_clip(frames=12, drift_um_s=(60.0, 0.0))
    plain = measure_clip(open_clip(clip.write(tmp_path / "a.mp4", quality=12)))
    found = measure_clip(open_clip(turn_clip(tmp_path / "a.mp4", turns, tmp_path / "b.mp4")))
    size = (160, 120) if turns == 2 else (120, 160)
    assert (found.facts.width, found.facts.height) == size
    assert plain.steadiness is not None
    assert found.steadiness is not None
    still, moved = plain.steadiness, found.steadiness
    # a clockwise quarter turn takes right to down
    wanted = [(still.drift_x.value, still.drift_y.value), (-still.drift_y.value,
              still.drift_x.value)][turns % 2]  # fmt: skip
    sign = -1 if turns > 1 else 1
    assert moved.drift_x.value == pytest.approx(sign * wanted[0], abs=0.5)
    assert moved.drift_y.value == pytest.approx(sign * wanted[1], abs=0.5)


def test_one_frame_has_a_size_and_no_rate(tmp_path: Path) -> None:
    found = measure_clip(open_clip(small_clip(frames=1).write(tmp_path / "a.mp4")))
    assert found.frames == 1
    assert found.rate is None
    assert "delivered_rate" not in found.findings()
    assert any("one frame" in note for note in found.notes)


def test_odd_sizes_are_read(tmp_path: Path) -> None:
    path = small_clip(frames=5, width=161, height=115).write(tmp_path / "a.avi", "mjpeg", 5)
    found = measure_clip(open_clip(path))
    assert (found.facts.width, found.facts.height) == (161, 115)


def test_a_box_outside_the_picture_is_unusable(tmp_path: Path) -> None:
    reader = open_clip(small_clip(frames=3).write(tmp_path / "a.mp4"))
    with pytest.raises(Unusable, match="does not lie within"):
        measure_clip(reader, box=(100, 0, 61, 20))


class _Endless:
    """A clip of made-up frames that keeps count of those still held somewhere."""

    damaged_frames = 0
    ended_by_error = False

    def __init__(self, reader: ClipReader, frames: int) -> None:
        self.facts, self.outline = reader.facts, reader.outline
        self._frames = frames
        self.most_alive = 0

    def frames(self):  # type: ignore[no-untyped-def]
        rng = np.random.default_rng(5)
        alive: list[weakref.ref[np.ndarray]] = []
        for number in range(self._frames):
            luma = rng.integers(0, 255, (120, 160), dtype=np.uint8)
            alive = [ref for ref in alive if ref() is not None] + [weakref.ref(luma)]
            self.most_alive = max(self.most_alive, len(alive))
            yield Frame(luma, number / 25, True, False, True)
            del luma


def test_memory_does_not_grow_with_the_length_of_a_clip(tmp_path: Path) -> None:
    reader = open_clip(small_clip(frames=2).write(tmp_path / "a.mp4"))
    long = _Endless(reader, 120)
    measure_clip(long)  # type: ignore[arg-type]
    assert long.most_alive <= 8


def test_a_clip_of_which_no_frame_can_be_decoded_is_not_measurable(tmp_path: Path) -> None:
    reader = open_clip(small_clip(frames=2).write(tmp_path / "a.mp4"))
    with pytest.raises(NotMeasurable, match="not one frame"):
        measure_clip(_Endless(reader, 0))  # type: ignore[arg-type]
