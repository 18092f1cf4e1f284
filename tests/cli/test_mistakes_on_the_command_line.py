"""Mistakes on the command line: found before anything is measured, said once, also as data."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from glassay.cli import main


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    """Exit status, output and errors of `glassay ARGUMENTS`."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.argv", ["glassay", *map(str, arguments)])
        try:
            main()
            status = 0
        except SystemExit as done:
            status = int(done.code or 0)
    out = capsys.readouterr()
    return status, out.out, out.err


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    """A photo with something in it, of no use to any method."""
    grey = np.random.default_rng(1).integers(90, 140, (96, 128), dtype=np.uint8)
    Image.fromarray(grey).save(tmp_path / "photo.png")
    return tmp_path / "photo.png"


@pytest.mark.parametrize("suffix", ["jpg", "png", "tif", "bmp"])
def test_a_photo_is_no_clip_whatever_its_format(
    capsys: pytest.CaptureFixture[str], photo: Path, suffix: str
) -> None:
    path = photo.with_suffix(f".{suffix}")
    Image.open(photo).save(path)
    status, out, err = run(capsys, "clip", path)
    assert (status, out) == (2, "")
    assert err == f"{path}: not measured: this is a photo, not a clip\n"


def test_text_under_the_name_of_a_photo_is_no_clip(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "text.jpg").write_text("no picture\n" * 20)
    status, _, err = run(capsys, "clip", tmp_path / "text.jpg")
    assert status == 2
    assert err.endswith("not measured: this is no clip\n")


@pytest.mark.parametrize(("name", "words"), [("x.gif", ".png"), ("no/x.png", "no folder")])
def test_where_a_figure_cannot_go_nothing_is_measured(
    capsys: pytest.CaptureFixture[str], photo: Path, name: str, words: str
) -> None:
    figure = photo.parent / name
    status, out, err = run(capsys, "edge", photo, "--figure", figure)
    assert (status, out) == (2, "")
    assert words in err
    assert not figure.exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ("chain", "--objective", "seven"),
        ("chain", "--eyepiece", "10x"),
        ("chain", "--no-such-option"),
        ("run", "missing"),
        ("needs", "missing"),
        ("check", "missing.zip"),
        ("repeat", "one.jpg"),
        ("noise", "one.jpg"),
        ("edge", "missing.jpg"),
    ],
)
def test_a_mistake_is_data_where_data_was_asked_for(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]
) -> None:
    status, out, err = run(capsys, *arguments, "--json")
    assert (status, err) == (2, "")
    answer = json.loads(out)
    assert answer["measured"] is False
    assert answer["reason"]


def test_a_missing_file_is_named_once(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "missing.jpg"
    status, _, err = run(capsys, "edge", path)
    assert (status, err) == (2, f"{path}: not measured: there is no such file\n")


def test_a_contrast_is_read_as_a_share_or_in_percent(
    capsys: pytest.CaptureFixture[str], photo: Path
) -> None:
    said = [run(capsys, "bars", photo, "--contrast", text) for text in ("0.3", "30%", "30 %")]
    assert [status for status, _, _ in said] == [3, 3, 3]  # there are no bars in it
    assert run(capsys, "bars", photo, "--contrast", "300 %")[0] == 2


def test_a_single_shade_is_no_photo(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "grey.png"
    Image.new("RGB", (320, 240), (120, 121, 119)).save(path)
    status, _, err = run(capsys, "field", path)
    assert status == 3
    assert "a single shade without any noise" in err


def test_a_file_is_no_bench_and_a_folder_no_archive(
    capsys: pytest.CaptureFixture[str], photo: Path
) -> None:
    status, _, err = run(capsys, "run", photo)
    assert status == 2
    assert "is a file, no bench folder; a bench is a folder" in err
    assert "glassay new" not in err  # it could not start one there
    status, _, err = run(capsys, "check", photo.parent)
    assert status == 2
    assert "made by `glassay pack`" in err
    archive = photo.with_name("bench.zip")
    with zipfile.ZipFile(archive, "w") as opened:
        opened.writestr("bench.toml", "")
    status, _, err = run(capsys, "compare", photo.parent, archive)
    assert status == 2
    (photo.parent / "bench.toml").write_text("", encoding="utf-8")
    status, _, err = run(capsys, "compare", photo.parent, archive)
    assert status == 2
    assert f"{archive} is an archive, no bench folder: unpack it" in err


def test_of_many_photos_the_first_is_named_and_the_others_are_counted(
    capsys: pytest.CaptureFixture[str], photo: Path
) -> None:
    box = ("--box", "0,0,20,20")
    status, _, err = run(capsys, "focus", *[photo] * 21, *box)
    assert status == 3
    assert err.startswith(f"{photo} and 20 others: not measured: 20 x 20 px is too small")
    status, _, err = run(capsys, "focus", photo, photo, *box)
    assert err.startswith(f"{photo}, {photo}: not measured: ")
    status, out, _ = run(capsys, "focus", *[photo] * 4, *box, "--json")
    assert json.loads(out)["file"] == ", ".join([str(photo)] * 4)
    # a reason that is about one of them names that one alone
    gone = photo.with_name("gone.png")
    _, _, err = run(capsys, "focus", photo, photo, gone)
    assert err.startswith(f"{gone}: not measured: there is no such file")
