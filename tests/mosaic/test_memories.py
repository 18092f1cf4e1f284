"""Chips that are memory for the most part: their cells fit everywhere, the rest tells the places."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from glassay.mosaic import place_tiles
from glassay.mosaic.compare import best_of_pairs
from glassay.mosaic.lens import Lens, applied
from glassay.mosaic.overlap import Overlap
from glassay.mosaic.shifts import coarse_of
from glassay.mosaic.whole import (
    Whole,
    alike_elsewhere,
    whole_of,
    whole_shifts,
)
from tests.mosaic.test_places_far_apart import _overlap as overlap

SIZE = (300, 400)
LENS = Lens(SIZE)
PERIOD = (12.7, 9.3)
GAPS_X, GAPS_Y = (330, 640), (215, 440)
"""Where streets of 40 px run between the memories."""


@pytest.fixture(scope="module")
def sheet() -> npt.NDArray[np.uint8]:
    """A chip of nine memories of one kind, with drawn noise between them."""
    rng = np.random.default_rng(8)
    rest = 110 + 150 * cv2.GaussianBlur(rng.normal(0, 1, (640, 960)), (0, 0), 2.0)
    y, x = np.mgrid[0:640, 0:960]
    cells = 110 + 40 * np.cos(2 * np.pi * x / PERIOD[0]) + 35 * np.cos(2 * np.pi * y / PERIOD[1])
    street = np.zeros((640, 960))
    for at in GAPS_X:
        street[:, at - 20 : at + 20] = 1
    for at in GAPS_Y:
        street[at - 20 : at + 20] = 1
    street = cv2.GaussianBlur(street, (0, 0), 1.0)
    return np.clip(street * rest + (1 - street) * cells, 0, 255).astype(np.uint8)


def _photo(sheet: npt.NDArray[np.uint8], x: int, y: int) -> npt.NDArray[np.uint8]:
    """A part of it, a little soft, with noise of its own."""
    part = cv2.GaussianBlur(sheet[y : y + SIZE[0], x : x + SIZE[1]], (0, 0), 0.4 + (x + y) % 7 / 6)
    noise = np.random.default_rng([x, y]).normal(0, 3, SIZE)
    return np.clip(part + noise, 0, 255).astype(np.uint8)


def _whole(sheet: npt.NDArray[np.uint8], x: int, y: int) -> Whole:
    coarse = coarse_of(_photo(sheet, x, y), LENS, np.ones((30, 40), np.bool_), 10)
    return whole_of(coarse, LENS.middle, 0.0, 400.0)


def test_what_occurs_once_tells_which_tiles_are_neighbours(sheet: npt.NDArray[np.uint8]) -> None:
    """Cells of tiles that share nothing agree better than all that neighbours show does."""
    one, two, other = (_whole(sheet, *at) for at in ((30, 10), (310, 20), (556, 340)))
    found, false = whole_shifts(one, two), whole_shifts(one, other)
    assert np.hypot(*(found.by_what_is_once[:, 2] - (-280, -10))) < 2
    assert found.agreeing > 0.9
    assert found.stands_out > 3 * false.stands_out
    assert false.best > found.best


def test_a_place_at_which_only_cells_agree_is_none(sheet: npt.NDArray[np.uint8]) -> None:
    here = np.array([[1.0, 0.0, -280.0], [0.0, 1.0, -10.0]])
    found = alike_elsewhere(_whole(sheet, 30, 10), _whole(sheet, 310, 20), here, 30.0)
    assert found
    assert not any(alike for _, alike in found)


def test_cells_are_no_rival_of_what_places_a_tile_alone() -> None:
    def at(shift: tuple[float, float], blocks: int, rivals: npt.NDArray[np.float64]) -> Overlap:
        one = overlap(0, 1, shift)
        few = {name: np.concatenate([getattr(one, name)] * (blocks // 5))
               for name in ("here", "there", "information")}  # fmt: skip
        return Overlap(0, 1, one.matrix, *few.values(), 0.99, 1.0, rivals, 36, one.every)

    none = np.empty((0, 2))
    once, cells = at((90.0, 0.0), 10, none), at((10.0, 40.0), 10, np.array([[12.7, 0.0]]))
    assert once.places
    (best,) = best_of_pairs([cells, once])
    assert best.places
    assert np.array_equal(best.matrix, once.matrix)
    # another place that occurs once is one, and so are cells for what fewer blocks tell
    (both,) = best_of_pairs([once, at((10.0, 40.0), 10, none)])
    assert not both.decided
    (few,) = best_of_pairs([cells, at((90.0, 0.0), 5, none)])
    assert not few.decided


def test_photos_of_memories_are_placed(sheet: npt.NDArray[np.uint8], tmp_path: Path) -> None:
    true = {}
    for n, (x, y) in enumerate([(0, 0), (275, 12), (556, 4), (8, 200), (280, 190), (548, 206)]):
        path = tmp_path / f"{n}.png"
        Image.fromarray(_photo(sheet, x, y)).save(path)
        true[path.name] = (x, y)
    result = place_tiles(sorted(tmp_path.iterdir()))
    assert result.placed == 6
    lens = result.camera.lens
    seen = np.array([applied(w.matrix, lens.middle[None])[0] for w in result.where
                     if w.matrix is not None])  # fmt: skip
    off = seen - np.array([true[w.path.name] for w in result.where])
    assert np.ptp(off, axis=0).max() < 1.0
