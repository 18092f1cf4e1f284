"""`glassay stack`: files in, files out, and nothing of the person's own touched."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner, Result

from glassay.cli import program
from glassay.imaging import read_photo
from glassay.simulate import Camera as SimulatedCamera
from glassay.simulate import ClipPlan, Optics, Pose, Texture, film
from tests.cli.test_mistakes_on_the_command_line import run as run_program
from tests.stack.runs import PHOTOS, STEP_UM, files, stacked


@pytest.fixture
def run(tmp_path: Path) -> list[str]:
    for number, data in enumerate(files()):
        (tmp_path / f"z{number:02d}.jpg").write_bytes(data)
    return [str(tmp_path / f"z{number:02d}.jpg") for number in range(PHOTOS)]


def invoke(*arguments: object) -> Result:
    return CliRunner().invoke(program, ["stack", *map(str, arguments)])


def test_picture_depth_and_findings_are_written(run: list[str], tmp_path: Path) -> None:
    before = [hashlib.sha256(Path(path).read_bytes()).hexdigest() for path in run]
    out, figure = tmp_path / "die.tif", tmp_path / "die.png"
    done = invoke(*run, "--out", out, "--step", f"{STEP_UM}um", "--pixel-size", "0.8um", "--json",
                  "--figure", figure)  # fmt: skip
    assert done.exit_code == 0, done.output
    said = json.loads(done.output)
    assert said["measured"] is True
    assert set(said["findings"]) >= {
        "frames",
        "depth_range",
        "in_focus_share",
        "magnification_change",
    }
    assert said["findings"]["depth_range"]["unit"] == "um"
    assert said["picture"] == str(out)
    assert said["depth"] == str(tmp_path / "die-depth.tif")
    with tifffile.TiffFile(out) as tiff:
        page = tiff.pages[0]
        assert page.dtype == np.uint16
        stored = page.asarray() / 65535
        assert page.tags["XResolution"].value[0] / page.tags["XResolution"].value[1] == 12500
    assert np.abs(stored - stacked().picture).max() < 1e-4
    assert read_photo(out).tone == "linear"
    depth, u = tifffile.imread(said["depth"], key=range(2))
    assert depth.dtype == np.float32
    assert (np.isnan(depth) == np.isnan(stacked().places)).all()
    assert np.nanmax(np.abs(depth - STEP_UM * stacked().places)) < 1e-3
    assert np.nanmin(u) > 0
    assert figure.stat().st_size > 20_000
    assert [hashlib.sha256(Path(path).read_bytes()).hexdigest() for path in run] == before
    assert not list(tmp_path.glob("*.part"))
    again = tmp_path / "again.tif"
    spoken = invoke(*run, "--out", again)
    assert "steps" in spoken.output
    assert (tifffile.imread(again) == tifffile.imread(out)).all()


def test_a_photo_is_never_written_over(
    run: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tiffs = []
    for number, path in enumerate(run[:4]):
        copy = tmp_path / f"Photo{number}.tif"
        tifffile.imwrite(copy, read_photo(path).stored)
        tiffs.append(copy)
    hard, soft = tmp_path / "hard.tif", tmp_path / "soft.tif"
    os.link(tiffs[1], hard)
    soft.symlink_to(tiffs[2])
    (tmp_path / "run-depth.tif").symlink_to(tiffs[0])
    before = [path.read_bytes() for path in tiffs]
    for out in (tiffs[0], hard, soft, tmp_path / "PHOTO1.TIF", tmp_path / "run.tif"):
        status, said, _ = run_program(capsys, "stack", *tiffs, "--out", out, "--json")
        assert status == 2, said
        assert "written over" in json.loads(said)["reason"]
    assert [path.read_bytes() for path in tiffs] == before
    png = tmp_path / "z.png"
    given = (*run, "--out", tmp_path / "a.tif", "--figure", run[0])
    assert run_program(capsys, "stack", *given)[0] == 2
    assert not png.exists()


def test_what_cannot_be_used_ends_with_status_2_and_one_line(
    run: list[str], tmp_path: Path
) -> None:
    out = tmp_path / "o.tif"
    cut = tmp_path / "cut.jpg"
    cut.write_bytes(files()[3][:700])
    empty = tmp_path / "empty.jpg"
    empty.touch()
    for arguments, words in (
        ((*run[:3], cut, "--out", out), "cut"),
        ((*run[:3], empty, "--out", out), "empty"),
        ((*run, "--out", tmp_path / "o.png"), "tif"),
        ((*run, "--out", tmp_path / "no" / "o.tif"), "no folder"),
        ((*run, "--out", out, "--step", "5"), "unit"),
        ((*run, "--out", out, "--step", "-5um"), "more than zero"),
        ((*run, "--out", out, "--box", "0,0,5000,5"), "box"),
        ((tmp_path / "a.mp4", run[0], "--out", out), "one clip"),
    ):
        done = invoke(*arguments)
        assert done.exit_code == 2, (words, done.output)
        assert words in done.output
        assert "Traceback" not in done.output
        assert not isinstance(done.exception, Exception)
    assert not out.exists()


def test_what_is_no_focus_run_ends_with_status_3(run: list[str], tmp_path: Path) -> None:
    out = tmp_path / "o.tif"
    for photos in ([run[0]], [run[0]] * 4):
        done = invoke(*photos, "--out", out, "--json")
        assert done.exit_code == 3, done.output
        assert json.loads(done.output)["measured"] is False
    assert not out.exists()


def test_a_clip_is_a_run_too(tmp_path: Path) -> None:
    plan = ClipPlan(frames=13, focus_um=(-90, 90))
    camera = SimulatedCamera(width=160, height=120, jpeg_quality=None)
    clip = film(Texture(contrast=0.3), Pose(1.2), Optics(na=0.1), camera, plan, seed=2)
    path = clip.write(tmp_path / "run.avi", "mjpeg", 3)
    done = invoke(path, "--out", tmp_path / "clip.tif", "--json")
    assert done.exit_code == 0, done.output
    depth = tifffile.imread(tmp_path / "clip-depth.tif", key=0)
    assert np.nanmedian(depth) == pytest.approx(6.0, abs=0.3)
