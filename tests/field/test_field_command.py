"""`glassay field` as people use it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner, Result

from glassay.cli import program
from glassay.simulate import Camera, CrossedGrid, FlatField, Optics, Pose, capture

OPTICS = Optics(na=0.1, vignetting=0.2, distortion_k1=-0.03, lateral_colour=(0.003, 0, -0.002))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("field")
    camera = Camera(width=480, height=360)
    capture(FlatField(0.6), Pose(1.8), OPTICS, camera, 1).write(folder / "flat.jpg")
    capture(CrossedGrid(), Pose(1.8, 3), OPTICS, camera, 1).write(folder / "grid.jpg")
    bright = Camera(width=480, height=360, exposure=3)
    capture(FlatField(0.6), Pose(1.8), OPTICS, bright, 1).write(folder / "bright.jpg")
    return folder


def field(*arguments: object) -> Result:
    return CliRunner().invoke(program, ["field", *map(str, arguments)])


def test_all_parts_are_measured_drawn_and_the_correction_written(folder: Path) -> None:
    figure, flat = folder / "out.png", folder / "out.tif"
    done = field(folder / "flat.jpg", folder / "grid.jpg", "--pixel-size", "1.8um", "--json",
                 "--figure", figure, "--flat", flat)  # fmt: skip
    assert done.exit_code == 0, done.output
    findings = json.loads(done.output)["findings"]
    assert findings["evenness_corner"]["unit"] == "%"
    assert 65 < findings["evenness_corner"]["value"] < 80
    assert findings["distortion_corner"]["value"] == pytest.approx(-3.2, abs=0.2)
    assert findings["lateral_red_corner"]["value"] == pytest.approx(0.9, abs=0.25)
    assert findings["lateral_colour_object"]["unit"] == "um"
    assert figure.stat().st_size > 10_000
    gain = tifffile.imread(flat)
    assert gain.shape == (360, 480, 3)
    assert gain.dtype == np.float32
    assert gain[180, 240, 1] == pytest.approx(1, abs=0.02)
    assert gain[5, 5, 1] > 1.2


def test_the_answer_can_be_read(folder: Path) -> None:
    said = field(folder / "flat.jpg").output
    assert "light in the corners" in said
    assert "distortion is not measured" in said


def test_a_clipped_flat_field_is_refused_with_the_reason(folder: Path) -> None:
    done = field(folder / "bright.jpg", "--only", "evenness", "--json")
    assert done.exit_code == 3
    assert "full scale" in json.loads(done.output)["reason"]


def test_what_cannot_be_asked_is_said(folder: Path) -> None:
    assert field(folder / "flat.jpg", "--flat", folder / "x.png").exit_code != 0
    assert field(folder / "missing.jpg").exit_code == 2
    (folder / "empty.jpg").write_bytes(b"")
    assert field(folder / "empty.jpg").exit_code == 2
