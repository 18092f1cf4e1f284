"""What clips prove on a bench, and what they leave open."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.bench.clips import SLIDE, write_clip

from glassay.bench.document.read import load_bench
from glassay.bench.judging.needs import answer_needs
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import run_bench
from glassay.finding import Finding
from glassay.simulate import Camera, cut_off

HEAD = """
[bench]
title = "clips"
[[object]]
id = "slide"
kind = "ruled scale"
division = "10 um"
[[object]]
id = "bare"
kind = "chip"
[[instrument]]
id = "pad"
kind = "screen"
"""


def bench_with(
    folder: Path, clips: dict[str, str], claims: str = "", more: str = ""
) -> BenchResults:
    """A measured bench of clips: file name and what it shows."""
    captures = "".join(
        f'[[capture]]\nfile = "captures/{name}"\ninstrument = "pad"\nobject = "{thing}"\n'
        for name, thing in clips.items()
    )
    (folder / "bench.toml").write_text(HEAD + claims + more + captures, encoding="utf-8")
    return run_bench(load_bench(folder), jobs=1)


def claim(kind: str, value: str) -> str:
    return f'[[instrument.claim]]\nkind = "{kind}"\nvalue = "{value}"\nwhere = "box"\n'


def word(results: BenchResults, kind: str) -> tuple[str, str]:
    one = next(v for v in results.verdicts if v.claim.kind == kind)
    return one.word, " ".join((one.sentence, *one.details))


def finding(results: BenchResults, capture: str, key: str) -> Finding:
    return results.capture(f"captures/{capture}").findings[key]


def test_a_camera_that_repeats_its_frames_does_not_keep_its_rate(tmp_path: Path) -> None:
    write_clip(tmp_path / "captures/a.mp4", frames=60, rate=30, sensor_rate=15, drift_um_s=(25, 9))
    need = '[[need]]\nid = "live"\nstatement = "25 a second"\nrate = "25 fps"\n'
    results = bench_with(tmp_path, {"a.mp4": "bare"}, claim("frame rate", "30 fps"), need)
    said = word(results, "frame rate")
    assert said[0] == "not met"
    assert "15.0" in said[1]
    assert "30 of its 60 frames only repeat the one before" in said[1]
    assert answer_needs(results).answer("live", "pad").word == "no"
    cell = results.comparison.cell("pad", "frame_rate").value
    assert cell is not None
    assert cell.value == pytest.approx(15, rel=0.01)  # type: ignore[union-attr]


@pytest.mark.parametrize("rate", [30.0, 30000 / 1001])
def test_an_honest_rate_is_met_also_where_television_rounds_it(tmp_path: Path, rate: float) -> None:
    write_clip(tmp_path / "captures/a.mp4", frames=40, rate=rate, drift_um_s=(25, 9))
    results = bench_with(tmp_path, {"a.mp4": "bare"}, claim("frame rate", "30 fps"))
    assert word(results, "frame rate")[0] == "met"
    assert "as printed 29.5 1/s to 30.5 1/s" in results.verdicts[0].rule


def test_a_short_clip_proves_nothing_of_recording_time_but_a_broken_one_does(
    tmp_path: Path,
) -> None:
    whole = write_clip(tmp_path / "captures/a.mp4", frames=40, rate=20, shake_um=3)
    claims = claim("recording time", "2 h")
    results = bench_with(tmp_path, {"a.mp4": "bare"}, claims)
    said = word(results, "recording time")
    assert said[0] == "untested"
    assert "the longest here lasts 2.0" in said[1]
    assert word(bench_with(tmp_path, {"a.mp4": "bare"}, claim("recording time", "1 s")),
                "recording time")[0] == "met"  # fmt: skip
    cut_off(whole, 0.7, tmp_path / "captures/b.mp4")
    results = bench_with(tmp_path, {"b.mp4": "bare"}, claims)
    said = word(results, "recording time")
    assert said[0] == "not met"
    assert "breaks off after 1." in said[1]
    assert "recording cut off" in str(results.comparison.cell("pad", "failures").value)


def test_a_video_size_is_not_met_by_a_smaller_clip_nor_by_an_enlarged_one(tmp_path: Path) -> None:
    enlarged = Camera(
        width=240, height=180, exposure=1.0, jpeg_quality=None, stored_size=(480, 360)
    )
    write_clip(tmp_path / "captures/a.avi", camera=enlarged, frames=6, rate=20)
    name = {"a.avi": "bare"}
    said = word(bench_with(tmp_path, name, claim("video size", "640 x 480")), "video size")
    assert said[0] == "not met"
    assert "480 x 360 px" in said[1]
    results = bench_with(tmp_path, name, claim("video size", "480 x 360"))
    assert word(results, "video size")[0] == "not met"
    assert "enlarged from fewer" in word(results, "video size")[1]
    assert results.comparison.cell("pad", "video_picture").value == "480 x 360, enlarged"


def test_frames_that_compression_has_smoothed_leave_a_video_size_open(tmp_path: Path) -> None:
    write_clip(tmp_path / "captures/a.avi", frames=6, rate=20)
    said = word(bench_with(tmp_path, {"a.avi": "bare"}, claim("video size", "240 x 180")),
                "video size")  # fmt: skip
    assert said[0] == "undecided"
    assert "nothing in it tells" in said[1]


def test_shake_is_in_um_where_the_scale_was_filmed_too(tmp_path: Path) -> None:
    write_clip(tmp_path / "captures/a.avi", frames=30, rate=20, shake_um=2)
    write_clip(tmp_path / "captures/slide.avi", scene=SLIDE, frames=8, rate=20)
    results = bench_with(tmp_path, {"a.avi": "bare"})
    assert finding(results, "a.avi", "shake").quantity.unit == "px"
    assert any("stay in px: no ruled scale" in note for note in
               results.capture("captures/a.avi").notes)  # fmt: skip
    in_px = finding(results, "a.avi", "shake").quantity.value
    results = bench_with(tmp_path, {"a.avi": "bare", "slide.avi": "slide"})
    shake = finding(results, "a.avi", "shake").quantity
    assert shake.unit == "um"
    assert shake.value == pytest.approx(1.25 * in_px, rel=0.005)
    assert finding(results, "slide.avi", "pixel_size").quantity.value == pytest.approx(
        1.25, rel=5e-3
    )
    assert finding(results, "a.avi", "drift_x").quantity.unit == "um/s"


def test_a_video_mode_of_another_size_keeps_its_px(tmp_path: Path) -> None:
    small = Camera(width=120, height=90, exposure=1.0, jpeg_quality=None)
    write_clip(tmp_path / "captures/a.avi", camera=small, frames=30, rate=20, shake_um=2)
    write_clip(tmp_path / "captures/slide.avi", scene=SLIDE, frames=8, rate=20)
    results = bench_with(tmp_path, {"a.avi": "bare", "slide.avi": "slide"})
    assert finding(results, "a.avi", "shake").quantity.unit == "px"
    assert any("film the scale too" in note for note in results.capture("captures/a.avi").notes)


def test_a_clip_that_cannot_be_read_is_told_and_costs_nothing_else(tmp_path: Path) -> None:
    write_clip(tmp_path / "captures/a.avi", frames=12, rate=20, shake_um=3)
    (tmp_path / "captures/empty.mp4").touch()
    results = bench_with(tmp_path, {"a.avi": "bare", "empty.mp4": "bare"})
    assert results.capture("captures/empty.mp4").status == "unusable"
    assert "is empty" in results.capture("captures/empty.mp4").reason
    assert results.capture("captures/a.avi").status == "measured"
