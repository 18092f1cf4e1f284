"""No command writes over what it reads, or among the captures of a bench, by whatever name."""

from __future__ import annotations

import os
from pathlib import Path

import click
import numpy as np
import pytest
from PIL import Image
from tests.cli.test_mistakes_on_the_command_line import run

from glassay.bench.document.read import load_bench
from glassay.bench.keeping.filing import Filing, file_captures, start_bench
from glassay.cli import COMMANDS, program
from glassay.cli.outputs import Output

WRITTEN = {"--figure", "--out", "--map", "--positions", "--stills"}
"""Options that name what is written, in all commands."""

SINGLE = {
    "scale": ("--division", "10um"),
    "edge": (),
    "bars": (),
    "array": (),
    "native": (),
    "noise": (),
    "repeat": (),
    "field": (),
    "focus": (),
    "clip": (),
    "match": (),
    "preview": ("--pixel-size", "1um"),
}
"""Commands that draw what they found, and what else they ask for."""

TWO_PHOTOS = ("noise", "repeat", "focus", "match")


def photo(path: Path, seed: int = 1) -> Path:
    grey = np.random.default_rng(seed).integers(90, 140, (48, 64), dtype=np.uint8)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(grey).save(path)
    return path


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    folder = tmp_path / "bench"
    start_bench(folder)
    path = folder / "bench.toml"
    more = '\n[[instrument]]\nid = "usb"\nkind = "USB"\n'
    path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")
    source = photo(tmp_path / "in" / "slide.png")
    file_captures(load_bench(folder), [Filing(source, "usb", "as is", "slide")])
    return folder


def content(folder: Path) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.parametrize("command", SINGLE)
@pytest.mark.parametrize("which", [0, -1])
def test_a_figure_never_replaces_a_photo(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, command: str, which: int
) -> None:
    photos = [photo(tmp_path / f"{n}.png", n) for n in range(2 if command in TWO_PHOTOS else 1)]
    before = content(tmp_path)
    figure = photos[which]
    status, out, err = run(capsys, command, *photos, *SINGLE[command], "--figure", figure)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "which is read here" in err
    assert content(tmp_path) == before


@pytest.mark.parametrize("command", SINGLE)
def test_a_figure_never_goes_among_captures(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, bench: Path, command: str
) -> None:
    photos = [photo(tmp_path / f"{n}.png", n) for n in range(2 if command in TWO_PHOTOS else 1)]
    before = content(tmp_path)
    figure = bench / "captures" / "new.png"
    status, out, err = run(capsys, command, *photos, *SINGLE[command], "--figure", figure)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "holds only captures" in err
    assert content(tmp_path) == before


def _link(photo: Path) -> Path:
    (photo.parent / "link.png").symlink_to(photo)
    return photo.parent / "link.png"


def _hard_link(photo: Path) -> Path:
    os.link(photo, photo.parent / "hard.png")
    return photo.parent / "hard.png"


def _through_a_linked_folder(photo: Path) -> Path:
    (photo.parent.parent / "way").symlink_to(photo.parent)
    return photo.parent.parent / "way" / photo.name


@pytest.mark.parametrize(
    "name",
    [
        _link,
        _hard_link,
        _through_a_linked_folder,
        lambda p: p.with_name("CAF\u00c9.PNG"),
        lambda p: p.with_name("cafe\u0301.png"),
        lambda p: p.parent / "." / ".." / p.parent.name / p.name,
    ],
    ids=["link", "hard link", "linked folder", "case", "composition", "roundabout"],
)
def test_an_input_is_known_by_any_name(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, name: object
) -> None:
    # That names in other case or composition are one file: ISO/IEC 10646 and Unicode Standard Annex
    # 15 (normalisation) for the second; that common file systems do so is common practice, no source.
    source = photo(tmp_path / "in" / "caf\u00e9.png")
    assert callable(name)
    target = name(source)
    before = content(tmp_path)
    for options in (("--figure", target), ("--out", target)):
        status, _, err = run(capsys, "preview", source, "--pixel-size", "1um", *options)
        assert status == 2
        assert "which is read here" in err
    assert content(tmp_path) == before


def test_a_stack_or_mosaic_never_replaces_a_photo(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, bench: Path
) -> None:
    photos = [photo(tmp_path / name, n) for n, name in enumerate(("a.tif", "b-depth.tif"))]
    before = content(tmp_path)
    among = bench / "captures" / "new.tif"
    for out in (photos[0], tmp_path / "A.TIF", tmp_path / "b.tif", among):  # beside: b-depth.tif
        status, _, err = run(capsys, "stack", *photos, "--out", out)
        assert (status, err.count("\n")) == (2, 1)
        assert "would be written" in err
    status, _, err = run(capsys, "mosaic", *photos, "--out", bench / "captures" / "m")
    assert (status, "holds only captures" in err) == (2, True)
    assert content(tmp_path) == before


def test_every_photo_named_in_an_option_is_an_input(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    source, other = photo(tmp_path / "a.png", 1), photo(tmp_path / "b.png", 2)
    before = content(tmp_path)
    for option in ("--edge", "--source-edge", "--against"):
        status, _, err = run(
            capsys, "preview", source, "--pixel-size", "1um", option, other, "--out", other
        )
        assert (status, "which is read here" in err) == (2, True)
    assert content(tmp_path) == before


@pytest.mark.parametrize(
    ("command", "option", "name", "more"),
    [
        ("plate", "--out", "x.png", ()),
        ("plate", "--stills", "x", ()),
        ("report", "--out", "x", ()),
        ("report", "--out", ".", ()),
        ("pack", "--out", "x.zip", ()),
        ("shots", "--out", "x.html", ()),
        ("plan", "--map", "x.html", ("--die", "1 mm x 1 mm", "--line", "1um")),
        ("plan", "--positions", "x.csv", ("--die", "1 mm x 1 mm", "--line", "1um")),
    ],
)
@pytest.mark.parametrize("linked", [False, True])
def test_nothing_derived_goes_among_the_captures_of_a_bench(
    capsys: pytest.CaptureFixture[str], bench: Path, command: str, option: str, name: str,
    more: tuple[str, ...], linked: bool,
) -> None:  # fmt: skip
    place = bench / "captures"
    if linked:  # the captures lie elsewhere, and are named by that place
        place = place.rename(bench.parent / "disk")
        (bench / "captures").symlink_to(place)
    before = content(bench.parent)
    status, out, err = run(capsys, command, bench, *more, option, place / name)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "holds only captures" in err
    assert content(bench.parent) == before


def test_a_capture_outside_the_folder_for_them_is_an_input_all_the_same(
    capsys: pytest.CaptureFixture[str], bench: Path
) -> None:
    photo(bench / "own.png", 5)
    path = bench / "bench.toml"
    entry = '\n[[capture]]\nfile = "own.png"\ninstrument = "usb"\nobject = "slide"\n'
    path.write_text(path.read_text(encoding="utf-8") + entry, encoding="utf-8")
    before = content(bench)
    status, _, err = run(capsys, "plate", bench, "--out", bench / "OWN.png")
    assert (status, "which is read here" in err) == (2, True)
    assert content(bench) == before


def test_every_option_that_names_a_file_to_write_is_checked() -> None:
    context = click.Context(program)
    found = 0
    for name in COMMANDS:
        command = program.get_command(context, name)
        assert command is not None
        for option in command.params:
            if WRITTEN & set(option.opts):
                assert isinstance(option, Output), (name, option.opts)
                found += 1
    assert found >= len(SINGLE) + 8
