"""Overlaps little wider than a block tell as much as they show."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from glassay.mosaic.blocks import Picture
from glassay.mosaic.lens import Lens
from glassay.mosaic.overlap import measure_overlap

HIGH, WIDE = 240, 320


def _sheet() -> cv2.typing.MatLike:
    noise = np.random.default_rng(8).normal(0, 1, (HIGH, 2 * WIDE)).astype(np.float32)
    smooth = cv2.GaussianBlur(noise, (0, 0), 2.0)
    return np.clip(128 + 160 * smooth, 0, 255).astype(np.uint8)


def _tile(left: int) -> Picture:
    grey = np.ascontiguousarray(_sheet()[:, left : left + WIDE])
    return Picture(grey, Lens((HIGH, WIDE)), np.ones((HIGH // 4, WIDE // 4), np.bool_), 4)


@pytest.mark.parametrize("common", [76, 90, 99, 103, 112, 140])
def test_a_narrow_strip_places_a_tile(common: int) -> None:
    """Of 99 to 112 px only one row of blocks or none was taken, and nothing was measured."""
    step = WIDE - common
    found = measure_overlap(
        0, 1, _tile(0), _tile(step), np.array([[1.0, 0.0, -step + 1.5], [0.0, 1.0, -1.0]])
    )
    assert found is not None
    assert found.places
    # two columns of blocks of 36 px, half upon each other, as high as the strip
    assert len(found.here) >= 2 * (HIGH - 40) // 36
    assert found.matrix[:, 2] == pytest.approx((-step, 0), abs=0.05)
