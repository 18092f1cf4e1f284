"""Crossed grids and dot grids give the pixel size along both axes."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import pytest
from PIL import Image, ImageDraw

from glassay.scale import Division, measure_scale
from glassay.scale.calibrate import calibrate
from tests.distorted_scenes import CORNER_BOX, EDGE_BOX, PITCH, photographed_lattice
from tests.scale.drawn import Picture, photographed

SS = 4


def crossed_grid(pitch_x: float, pitch_y: float, tilt_deg: float = 0.0) -> Picture:
    y, x = np.mgrid[0 : 600 * SS, 0 : 800 * SS] / SS - 300.0
    c, s = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
    u, v = (x * c + y * s) / pitch_x, (y * c - x * s) / pitch_y
    line = (np.abs(u - np.rint(u)) < 0.08) | (np.abs(v - np.rint(v)) < 0.08)
    fine = np.where(line, 0.1, 0.8).astype(np.float32)
    return np.asarray(fine.reshape(600, SS, 800, SS).mean(axis=(1, 3)), dtype=np.float32)


def dot_grid(pitch: float, tilt_deg: float) -> Picture:
    canvas = Image.new("L", (800 * SS, 600 * SS), 200)
    draw = ImageDraw.Draw(canvas)
    c, s = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
    for i in range(-40, 41):
        for j in range(-40, 41):
            x = (400 + pitch * (i * c - j * s)) * SS
            y = (300 + pitch * (i * s + j * c)) * SS
            r = 0.22 * pitch * SS
            draw.ellipse([x - r, y - r, x + r, y + r], fill=30)
    fine = np.asarray(canvas, dtype=np.float32) / 255
    return np.asarray(fine.reshape(600, SS, 800, SS).mean(axis=(1, 3)), dtype=np.float32)


@pytest.mark.parametrize("tilt", [0.0, 2.0, -7.0, 20.0])
def test_crossed_grid(tilt: float) -> None:
    picture = photographed(crossed_grid(40.0, 41.0, tilt))
    found = calibrate(measure_scale(picture, pattern="grid", word="said"), Division(50.0, 0.0))
    assert found.pixel_size.value == pytest.approx(50 / 40.0, rel=5e-4)
    assert found.pixel_size_y is not None
    assert found.pixel_size_y.value == pytest.approx(50 / 41.0, rel=5e-4)
    assert found.findings()["axis_ratio"].quantity.value == pytest.approx(41 / 40, rel=5e-4)
    assert found.findings()["axis_angle"].quantity.value == pytest.approx(90.0, abs=0.1)
    assert found.result.tilt.value == pytest.approx(tilt, abs=0.1)


@pytest.mark.parametrize(("pitch", "tilt"), [(30.0, 0.0), (24.0, 5.0), (45.0, -12.0)])
def test_dot_grid(pitch: float, tilt: float) -> None:
    result = measure_scale(photographed(dot_grid(pitch, tilt)), word="filed")
    assert result.pattern == "grid"
    assert result.division.value == pytest.approx(pitch, rel=5e-4)
    assert result.tilt.value == pytest.approx(tilt, abs=0.1)


@pytest.mark.parametrize("what", ["crossed grid", "dots"])
@pytest.mark.parametrize("k", [-0.03, -0.005, 0.0])
def test_a_box_in_a_corner_measures_the_grid_about_the_lens_not_about_the_box(
    what: Literal["crossed grid", "dots"], k: float
) -> None:
    photo = photographed_lattice(what, k)
    for box in (CORNER_BOX, EDGE_BOX):
        found = measure_scale(photo, pattern="grid", box=box, word="said")
        assert found.division_y is not None
        for pitch in (found.division, found.division_y):
            assert pitch.value == pytest.approx(PITCH, rel=5e-4)
            # 95 % intervals may miss one truth in twenty; 1.5 times as wide, one in 300 (normal)
            assert abs(pitch.value - PITCH) < 1.5 * pitch.expanded
