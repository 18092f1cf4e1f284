"""What repeats farther apart than shifts are tried is seen; loops of four confirm; zooms are told."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from glassay.errors import NotMeasurable
from glassay.mosaic import place_tiles
from glassay.mosaic.assemble import assemble
from glassay.mosaic.blocks import Blocks
from glassay.mosaic.lens import Lens, applied
from glassay.mosaic.overlap import Overlap
from glassay.mosaic.shifts import coarse_of
from glassay.mosaic.whole import Whole, alike_elsewhere, whole_of, whole_shifts
from glassay.mosaic.zoom import between, differ

LENS = Lens((120, 160))
Sheet = npt.NDArray[np.float32]


def _sheet(period: int | None) -> Sheet:
    rng = np.random.default_rng(4)
    noise = rng.normal(0, 1, (period or 500,) * 2).astype(np.float32)
    noise = np.tile(noise, (6, 6))[:500, :500]
    return np.asarray(128 + 200 * cv2.GaussianBlur(noise, (0, 0), 2.5), np.float32)


def _whole(sheet: Sheet, x: float, y: float, degrees: float = 0.0) -> Whole:
    """A tile whose middle lies at (x, y) and that is turned, levelled."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    v, u = np.mgrid[0:120, 0:160].astype(np.float32)
    u, v = u - 79.5, v - 59.5
    place = (x + c * u - s * v).astype(np.float32), (y + s * u + c * v).astype(np.float32)
    grey = np.clip(cv2.remap(sheet, *place, cv2.INTER_LINEAR), 0, 255).astype(np.uint8)
    coarse = coarse_of(grey, LENS, np.ones((30, 40), np.bool_), 4)
    return whole_of(coarse, LENS.middle, math.radians(degrees), 160.0)


@pytest.mark.parametrize("period", [None, 130])
def test_a_second_place_is_seen_where_there_is_one(period: int | None) -> None:
    sheet = _sheet(period)
    here = np.array([[1.0, 0.0, -100.0], [0.0, 1.0, 0.0]])
    found = alike_elsewhere(_whole(sheet, 200, 200), _whole(sheet, 300, 200), here, 10.0)
    if period is None:
        assert not found
        return
    shifts = [matrix[:, 2] for matrix, as_good in found if as_good]
    assert any(np.hypot(*(shift - (30.0, 0.0))) < 2 for shift in shifts)


def test_tiles_turned_against_each_other_are_levelled_before_they_are_compared() -> None:
    sheet = _sheet(None)
    found = whole_shifts(_whole(sheet, 200, 200, 4.0), _whole(sheet, 290, 205, -4.0))
    assert min(found.best, found.agreeing) > 0.8
    for matrix in (found.by_all, found.by_what_is_once):
        turn = math.degrees(math.atan2(matrix[1, 0], matrix[0, 0]))
        assert turn == pytest.approx(8.0, abs=0.5)


def _overlap(first: int, second: int, shift: tuple[float, float], scale: float = 1.0) -> Overlap:
    """Five blocks: too few to place a tile alone."""
    here = np.array([[20.0, 20.0], [140.0, 30.0], [30.0, 100.0], [120.0, 90.0], [80.0, 60.0]])
    jitter = np.random.default_rng(first).normal(0, 0.02, (5, 2))
    there = LENS.middle + scale * (here - LENS.middle) + shift + jitter
    blocks = Blocks(here, there, np.tile(1000 * np.eye(2), (5, 1, 1)), np.full(5, 0.99))
    return Overlap(first, second, np.column_stack([np.eye(2), shift]), here, there,
                   blocks.information, 0.99, 1.0, np.empty((0, 2)), 36, blocks)  # fmt: skip


def test_a_loop_of_four_places_what_no_pair_places_alone() -> None:
    grid = [
        _overlap(0, 1, (-110, 3)), _overlap(2, 3, (-108, -2)),
        _overlap(0, 2, (4, -80)), _overlap(1, 3, (6, -85)),
    ]  # fmt: skip
    assert not any(one.places for one in grid)
    groups = assemble(grid, [LENS] * 4)
    assert sorted(groups[0]) == [0, 1, 2, 3]
    assert np.allclose(applied(groups[0][3], LENS.middle[None, :])
                       - applied(groups[0][0], LENS.middle[None, :]), (104, 82), atol=3)  # fmt: skip
    open_loop = [*grid[:3], _overlap(1, 3, (6, -60))]
    assert max(len(group) for group in assemble(open_loop, [LENS] * 4)) == 1


def test_two_tiles_tell_whether_they_were_taken_at_one_zoom() -> None:
    same, other = _overlap(0, 1, (-60, 0)), _overlap(0, 1, (-60, 0), 1.015)
    assert not differ(same, [LENS] * 2)
    assert differ(other, [LENS] * 2)
    assert between(other, [LENS] * 2)[0] == pytest.approx(0.015, abs=0.001)


@pytest.mark.parametrize("quarters", [1, 2])
def test_photos_turned_by_a_quarter_or_half_are_not_taken_to_overlap(
    tmp_path: Path, quarters: int
) -> None:
    """Borders and cells that are symmetrical fit so too, and nothing denies them."""
    sheet = cv2.GaussianBlur(
        np.random.default_rng(3).integers(0, 255, (400, 520), dtype=np.uint8), (0, 0), 1.5
    )
    sheet = cv2.normalize(sheet, np.empty_like(sheet), 10, 245, cv2.NORM_MINMAX)
    paths = [tmp_path / f"{n}.png" for n in range(2)]
    cv2.imwrite(str(paths[0]), sheet[20:320, 20:320])
    for turned in (0, quarters):
        cv2.imwrite(str(paths[1]), np.rot90(sheet[60:360, 130:430], turned))
        if turned:
            with pytest.raises(NotMeasurable):
                place_tiles(paths)
        else:
            assert all(one.matrix is not None for one in place_tiles(paths).where)
