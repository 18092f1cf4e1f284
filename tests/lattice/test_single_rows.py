"""Single rows, as of bond pads, in strips that hold little else; drawn point by point with numpy."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import data
from tests.lattice.drawn_dies import Picture

from glassay.errors import NotMeasurable
from glassay.imaging import Photo
from glassay.lattice import find_extent, measure_lattice


def row_of_pads(pitch_px: float, *, tilt_deg: float = 0.0, size: tuple[int, int]) -> Picture:
    """Light pads of 0.6 pitches on a dark ground, the row through the middle of (width, height)."""
    width, height = size
    y, x = np.mgrid[: 4 * height, : 4 * width] / 4.0
    turn = np.radians(tilt_deg)
    along = (x - width / 2) * np.cos(turn) + (y - height / 2) * np.sin(turn)
    off = (y - height / 2) * np.cos(turn) - (x - width / 2) * np.sin(turn)
    within = np.abs((along / pitch_px) % 1 - 0.5) < 0.3
    pads = np.where(within & (np.abs(off) < 0.35 * pitch_px), 0.8, 0.15).astype(np.float32)
    light = cv2.resize(pads, (width, height), interpolation=cv2.INTER_AREA)
    noise = np.random.default_rng(1).normal(0, 0.004, light.shape).astype(np.float32)
    return np.asarray(np.clip(cv2.GaussianBlur(light, (0, 0), 1.2) + noise, 0, 1), np.float32)


@pytest.mark.parametrize("pitch", [17.3, 37.25])
@pytest.mark.parametrize("tilt", [0.0, 2.0, -3.0])
def test_a_row_has_its_pitch_along_the_row_and_its_tilt(pitch: float, tilt: float) -> None:
    found = measure_lattice(row_of_pads(pitch, tilt_deg=tilt, size=(1200, 110)))
    assert found.pitch_y is None
    assert found.pitch_x is not None
    assert abs(found.pitch_x.value - pitch) <= found.pitch_x.expanded
    assert found.pitch_x.value == pytest.approx(pitch, rel=0.001)
    assert found.tilt_deg == pytest.approx(tilt, abs=0.4)
    assert any("single row" in note for note in found.notes)


def test_an_upright_row_has_its_pitch_along_y() -> None:
    strip = np.ascontiguousarray(row_of_pads(37.25, tilt_deg=2.0, size=(1200, 110)).T)
    found = measure_lattice(strip)
    assert found.pitch_x is None
    assert found.pitch_y is not None
    assert found.pitch_y.value == pytest.approx(37.25, rel=0.001)
    assert found.tilt_deg == pytest.approx(-2.0, abs=0.4)


@pytest.mark.parametrize("name", ["page", "text", "gravel", "camera", "coins", "moon"])
def test_strips_of_photographs_hold_no_row(name: str) -> None:
    light = Photo(Path(name), getattr(data, name)(), "srgb").linear_light()
    for top in range(10, light.shape[0] - 60, 61):
        with pytest.raises(NotMeasurable):
            measure_lattice(light[top : top + 50])


# ---- the outline's border ------------------------------------------------------------------------


def bordered(border_px: float, *, blur_px: float = 1.8, dust: int = 0) -> Picture:
    """An even array of 300 x 200 px with a dark border and brighter silicon all around."""
    y, x = np.mgrid[: 4 * 300, : 4 * 420] / 4.0 + 0.125
    off = np.maximum(np.abs(x - 210.2) - 150, np.abs(y - 150.4) - 100)
    light = np.where(off < 0, 0.28, np.where(off < border_px, 0.08, 0.35)).astype(np.float32)
    rng = np.random.default_rng(4)
    for _ in range(dust):
        middle = (int(rng.integers(300, 1380)), int(rng.integers(250, 950)))
        cv2.circle(light, middle, int(rng.integers(6, 16)), 0.1, -1)
    light = np.asarray(cv2.resize(light, (420, 300), interpolation=cv2.INTER_AREA), np.float32)
    noise = rng.normal(0, 0.003, light.shape).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(light, (0, 0), blur_px) + noise, np.float32)


@pytest.mark.parametrize("border", [1.5, 3.0, 6.0, 15.0])
def test_a_dark_border_narrower_than_the_blur_does_not_hide_the_edge(border: float) -> None:
    extent = find_extent(bordered(border))
    for found, truth in ((extent.width, 300), (extent.height, 200)):
        assert abs(found.value - truth) <= found.expanded
        assert found.expanded < 3.5  # px: the blur's own width bounds what a stripe can hide


def test_specks_on_the_array_do_not_cost_its_outline() -> None:
    extent = find_extent(bordered(4.0, dust=25))
    assert abs(extent.width.value - 300) <= extent.width.expanded
    assert abs(extent.height.value - 200) <= extent.height.expanded
