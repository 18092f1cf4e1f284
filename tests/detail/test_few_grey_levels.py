"""Edges that come in a few grey levels are stairs: their sharpness is refused, not told."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from glassay.bench.measuring.methods.detail import _measure_edge
from glassay.detail.edge import measure_edges
from glassay.detail.grey_levels import check_levels, check_palette
from glassay.errors import NotMeasurable
from glassay.imaging import read_photo


def photo(levels: int | None = None, noise: float = 1.5) -> np.ndarray:
    """Linear light (300, 400) of tilted bars, stored in 8 bits, in so many levels of them."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:300, :400]
    bars = ((x + 0.1 * y) // 60 % 2).astype(np.float32)
    stored = 60 + 150 * cv2.GaussianBlur(bars, (0, 0), 1.5) + rng.normal(0, noise, bars.shape)
    if levels is not None:
        step = 256 / levels
        stored = (np.floor(stored / step) + 0.5) * step
    return ((np.clip(np.round(stored), 0, 255) / 255) ** 2).astype(np.float32)


@pytest.mark.parametrize("levels", [2, 6, 9])
def test_a_poster_effect_tells_no_sharpness(levels: int) -> None:
    with pytest.raises(NotMeasurable, match=r"only \d+ grey levels where it has room for \d+"):
        measure_edges(photo(levels))


def test_a_photo_with_its_levels_is_measured() -> None:
    found = measure_edges(photo()).findings()
    assert found["frequency_50"].quantity.value == pytest.approx(0.125, rel=0.1)  # of that blur


@pytest.mark.parametrize("levels", [24, 64, None])
def test_levels_enough_pass(levels: int | None) -> None:
    check_levels(photo(levels))


def test_a_dark_or_faint_picture_without_gaps_passes() -> None:
    faint = 0.04 + 0.0004 * np.random.default_rng(1).standard_normal((200, 200))
    check_levels(faint.astype(np.float32))
    check_levels(np.full((50, 50), 0.3, np.float32))


def test_contrast_raised_until_light_is_cut_off_tells_no_sharpness() -> None:
    raised = np.clip((photo() - 0.25) * 30 + 0.25, 0, 1)
    with pytest.raises(NotMeasurable, match="cut off at both ends, as where contrast was raised"):
        measure_edges(raised)
    check_levels(np.clip(2 * photo(), 0, 1))  # at one end alone


@pytest.mark.parametrize("name", ["p.png", "p.tif"])
@pytest.mark.parametrize("colours", [64, 128])
def test_a_palette_tells_no_sharpness(tmp_path: Path, colours: int, name: str) -> None:
    grey = np.rint(255 * np.sqrt(photo())).astype(np.uint8)
    tinted = np.stack([grey, grey, (0.9 * grey).astype(np.uint8)], axis=2)
    Image.fromarray(tinted).quantize(colours).save(tmp_path / name)
    with pytest.raises(NotMeasurable, match=r"the file holds a palette of \d+ colours"):
        _measure_edge([tmp_path / name], {"box": None})


@pytest.mark.parametrize("name", ["p.png", "p.tif"])
def test_plain_greys_stored_as_a_palette_pass(tmp_path: Path, name: str) -> None:
    grey = Image.fromarray(np.rint(255 * np.sqrt(photo())).astype(np.uint8))
    ramp = Image.new("P", grey.size)
    ramp.putpalette([level for level in range(256) for _ in range(3)])
    ramp.frombytes(grey.tobytes())
    ramp.save(tmp_path / name)
    check_palette(read_photo(tmp_path / name).facts)
