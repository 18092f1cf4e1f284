"""An overview that shows the pixels faintly: its lattice tells where the array ends."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from glassay.lattice import ArrayResult, DiePicture, measure_array
from glassay.quantity import Quantity

COLUMNS, ROWS, PITCH_UM = 180, 110, 2.8
FINER = 4


def photo(px_um: float, size: tuple[int, int], tilt_deg: float, blur_px: float, seed: int,
          off_um: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:  # fmt: skip
    """A die whose border is as bright as its pixels are on average, sampled by area, with noise."""
    w, h = size
    x = ((np.arange(w * FINER) + 0.5) / FINER - w / 2) * px_um
    y = ((np.arange(h * FINER) + 0.5) / FINER - h / 2) * px_um
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    across = c * x[None] + s * y[:, None] + off_um[0]
    down = -s * x[None] + c * y[:, None] + off_um[1]
    u, v = across / PITCH_UM + COLUMNS / 2, down / PITCH_UM + ROWS / 2
    lens = (u % 1 - 0.5) ** 2 + (v % 1 - 0.5) ** 2 < 0.16
    inside = (u > 0) & (u < COLUMNS) & (v > 0) & (v < ROWS)
    die = (np.abs(across) < COLUMNS * PITCH_UM / 2 + 60) & (np.abs(down) < ROWS * PITCH_UM / 2 + 50)
    light = np.where(inside, np.where(lens, 0.55, 0.25), np.where(die, 0.40, 0.08))
    soft = cv2.GaussianBlur(light.astype(np.float32), (0, 0), blur_px * FINER)
    seen = soft.reshape(h, FINER, w, FINER).mean(axis=(1, 3))
    rng = np.random.default_rng(seed)
    return (seen + rng.normal(0, 0.008, seen.shape)).astype(np.float32)


def both(close_um: Quantity | None, over_um: Quantity | None) -> ArrayResult:
    pictures = [
        DiePicture(photo(0.3, (480, 360), -2.1, 0.8, 1, (60, 10)), close_um, name="close"),
        DiePicture(photo(0.84, (820, 560), 1.7, 0.95, 2), over_um, name="over"),
    ]
    return measure_array(pictures, mosaic="none")


def test_pixels_are_counted_within_the_lattice_of_an_overview_that_agrees_with_the_close_up() -> (
    None
):
    found = both(Quantity(0.3, "um/px"), Quantity(0.84, "um/px"))
    assert found.columns is not None
    assert found.rows is not None
    assert found.columns.value == pytest.approx(COLUMNS, abs=2)
    assert found.rows.value == pytest.approx(ROWS, abs=2)


def test_without_pixel_sizes_two_scales_are_not_held_against_each_other() -> None:
    found = both(None, None)
    assert not any("moire" in note or "times that" in note for note in found.notes)
    if found.width is not None:
        assert found.width.value == pytest.approx(COLUMNS * PITCH_UM / 0.84, rel=0.02)
