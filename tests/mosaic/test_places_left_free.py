"""What a set's usual step leaves free beside its placed tiles, and overlaps of nothing but cells."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from glassay.mosaic.blocks import Picture
from glassay.mosaic.overlap import measure_overlap
from glassay.mosaic.slots import _free as places_free
from glassay.mosaic.slots import _steps as steps_of
from tests.mosaic.test_memories import LENS, PERIOD, SIZE
from tests.mosaic.test_places_far_apart import _overlap as overlap


def _cells_between(things: bool) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """Two photos of one memory, each with something else beside it; with a thing in what they share."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:300, 0:700]
    sheet = 110 + 40 * np.cos(2 * np.pi * x / PERIOD[0]) + 35 * np.cos(2 * np.pi * y / PERIOD[1])
    rest = 110 + 150 * cv2.GaussianBlur(rng.normal(0, 1, sheet.shape), (0, 0), 2.0)
    sheet[:, :255] = rest[:, :255]
    sheet[:, 445:] = rest[:, 445:]
    if things:
        sheet[90:200, 320:380] = rest[90:200, 320:380]
    soft = cv2.GaussianBlur(sheet, (0, 0), 0.6)
    first, second = (
        soft[:, at : at + SIZE[1]] + np.random.default_rng(at).normal(0, 3, SIZE) for at in (0, 300)
    )
    return np.clip(first, 0, 255).astype(np.uint8), np.clip(second, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("things", [False, True])
def test_cells_alone_place_no_tile_however_they_are_bounded(things: bool) -> None:
    """Both photos show the memory to its border: in one place only do cells lie upon cells."""
    one, two = (
        Picture(grey, LENS, np.ones((30, 40), np.bool_), 10) for grey in _cells_between(things)
    )
    found = measure_overlap(0, 1, one, two, np.array([[1.0, 0, -300], [0, 1, 0]]))
    assert found is not None
    assert np.hypot(*(found.matrix[:, 2] - (-300, 0))) < 0.2
    assert found.repeats is not things
    assert found.places is things


def test_other_tiles_are_compared_where_the_usual_step_leads() -> None:
    """Three tiles of a grid of four: the fourth place is free beside two of them."""
    step, down = (-110.0, 3.0), (4.0, -80.0)
    found = [overlap(0, 1, step), overlap(0, 2, down)]
    poses = {0: np.eye(2, 3), 1: np.array([[1.0, 0, 110], [0, 1, -3]]),
             2: np.array([[1.0, 0, -4], [0, 1, 80]])}  # fmt: skip
    middles = {t: m[:, 2] for t, m in poses.items()}
    steps = steps_of(poses, middles, [LENS] * 3, found)
    assert len(steps) == 4
    free = places_free(middles, steps)
    (corner,) = (beside for place, beside in free if np.hypot(*(place - (106, 77))) < 1)
    assert corner == [1, 2]
    # 12 beside three tiles, less the pairs that lie upon tiles, the corner and one outside it twice
    assert len(free) == 7
    assert all(np.hypot(*(place - m)) > 60 for place, _ in free for m in middles.values())
