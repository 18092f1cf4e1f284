"""What the tiles of a live mosaic tell of the lens, and that it is taken out of the map."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from studies.live_mosaic import QUICK, Kind, judged, run, stage_of

from glassay.distortion import Frame
from glassay.mosaic.live.laid import Laid
from glassay.mosaic.live.lens import Bend, straight, straightened, told_by
from glassay.mosaic.live.picture import Bytes, Place, View, view_of
from glassay.mosaic.live.told import Tile

SIZE = (384, 216)
APART = ((0.0, 0.0), (270.0, 6.0), (266.0, 148.0), (-4.0, 152.0))
"""Where the middles of four tiles lie, px."""


def grounds(seed: int) -> Bytes:
    """Detail of many sizes that occurs once (height, width)."""
    rng = np.random.default_rng(seed)
    sheet = sum(
        cv2.GaussianBlur(rng.standard_normal((700, 1100)), (0, 0), sigma) * sigma
        for sigma in (1.5, 3, 6)
    )
    return np.clip(128 + 40 * np.asarray(sheet) / np.std(sheet), 0, 255).astype(np.uint8)


def frame(sheet: Bytes, middle: tuple[float, float], k1: float) -> Bytes:
    """What a lens with this distortion shows of a sheet, with noise."""
    across, down = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    seen = np.stack([across.ravel(), down.ravel()], axis=1)
    there = Frame.of(SIZE[::-1]).undistorted(seen, k1)
    there = (there - ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2) + middle + (400, 300)).astype(
        np.float32
    )
    x, y = (there[:, n].reshape(SIZE[::-1]) for n in (0, 1))
    noise = np.random.default_rng(round(abs(middle[0]))).normal(0, 2, SIZE[::-1])
    return np.clip(cv2.remap(sheet, x, y, cv2.INTER_CUBIC) + noise, 0, 255).astype(np.uint8)


def laid(k1: float, seed: int = 1) -> Laid:
    """Four tiles that overlap, as such a lens shows them, straightened as far as they tell."""
    sheet, made = grounds(seed), Laid()
    for n, (x, y) in enumerate(APART):
        view = view_of(frame(sheet, (x, y), k1)).for_keeps()
        made.tiles[n] = Tile(n, view, Place(x, y))
    made.size = SIZE
    made.tie_all()
    for _ in range(4):
        made.straighten()
    return made


@pytest.mark.parametrize("k1", [-0.02, -0.008, 0.008, 0.02])
def test_tiles_that_overlap_tell_the_distortion(k1: float) -> None:
    assert laid(k1).k1 == pytest.approx(k1, abs=0.0025)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_straight_lens_is_left_alone(seed: int) -> None:
    assert laid(0.0, seed).k1 == 0


def test_few_ties_and_ties_that_contradict_each_other_tell_nothing() -> None:
    sure = Bend(0.02, 1e8)
    assert told_by([sure, sure]) is None
    assert told_by([sure] * 3) == pytest.approx(0.02)
    assert told_by([sure, Bend(-0.02, 1e8), sure, Bend(-0.015, 1e8)]) is None
    assert told_by([]) is None


def test_a_view_is_straightened_once_and_put_back_whole() -> None:
    view = view_of(frame(grounds(4), (0.0, 0.0), 0.02)).for_keeps()
    plain = view_of(frame(grounds(4), (0.0, 0.0), 0.0))
    bent = straightened(straightened(view, 0.01), 0.02)

    def apart(one: View) -> float:
        return float(np.abs(one.detail - plain.detail)[20:-20, 20:-20].mean())

    assert apart(bent) < 0.35 * apart(view)
    assert np.array_equal(straightened(bent, 0.0).detail, view.detail)
    assert np.array_equal(bent.sharpness, view.sharpness)


def test_points_are_straightened_as_views_are() -> None:
    points = np.array([[0.0, 0.0], [383.0, 0.0], [191.5, 107.5]])
    away = straight(points, -0.02, SIZE) - (191.5, 107.5)
    assert away[2] == pytest.approx([0, 0], abs=1e-6)
    assert np.hypot(*away[0]) == pytest.approx(np.hypot(191.5, 107.5) * 1.02, rel=0.003)


BENT: Kind = replace(QUICK[0], visited=6)


@pytest.mark.parametrize("k1", [-0.025, 0.025])
def test_a_lens_of_percents_neither_stretches_the_map_nor_loses_a_view(k1: float) -> None:
    kind = replace(BENT, k1=k1)
    went = run(kind, stage_of(kind))
    outcome = judged(went, kind)
    assert went.growing.k1 == pytest.approx(k1, abs=0.006)
    assert (outcome.found, outcome.misplaced) == (5, 0)
    assert outcome.worst_px < 1.0
