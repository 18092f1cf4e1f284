"""Blocks that can be compared at a place told to a px, and what comes of comparing only those."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from glassay.mosaic.live import GrowingMap
from glassay.mosaic.live.parts import BLOCKS, comparable
from glassay.simulate import Camera, Drawn, Optics
from glassay.simulate.stage import MovedStage, Rest
from tests.mosaic.test_live_map import SIZE, rest


@pytest.mark.parametrize(
    ("period", "good"), [(2.6, False), (4.0, False), (8.0, True), (20.0, True)]
)
@pytest.mark.parametrize("angle", [0, 90])
def test_lines_finer_than_five_px_cannot_be_compared(period: float, good: bool, angle: int) -> None:
    y, x = np.mgrid[:216, :384].astype(np.float32)
    along = x if angle == 0 else y
    fine = np.sin(2 * np.pi * along / period).astype(np.float32)
    # half of the frame holds them, the other half a coarse pattern both ways
    coarse = np.sin(x / 5) * np.sin(y / 5)
    found = comparable(np.where(x < 192, fine, coarse).astype(np.float32))
    assert found[:, 9:].all()
    assert (found[:, :7] == good).all()
    assert found.shape == BLOCKS


def rows_and_pads(
    x: npt.NDArray[np.floating], y: npt.NDArray[np.floating]
) -> npt.NDArray[np.floating]:
    """Below y = 0 rows of a memory, three px apart; above it pads of which no two are alike."""
    rows = 0.4 + 0.25 * np.cos(2 * np.pi * y / 3.1) * (np.mod(x, 90) < 80)
    number = np.floor(x / 63)
    within = np.abs(np.mod(x, 63) - 31) < 20
    own = 0.5 + 0.4 * np.sin(37.0 * number) * (np.mod(x, 63) < 25 + 4 * np.mod(5 * number, 4))
    pads = np.where(within & (np.abs(y + 50) < 22), own, 0.25)
    return np.where(y > 0, rows, pads)


def test_rows_too_fine_to_be_compared_do_not_speak_against_pads_that_are() -> None:
    camera = Camera(*SIZE, colour="grey", read_noise_e=8, jpeg_quality=92)
    stage = MovedStage(Drawn(rows_and_pads), (-300, -150, 900, 200), 1.0, camera, Optics(na=0.4))
    growing = GrowingMap()
    rest(growing, stage, Rest(300, 150), 0.0)
    for n in range(1, 4):  # the stage turns a little under a hand
        told = rest(growing, stage, Rest(300 + 90 * n, 150 + n, 0.1 * n), 1.0 * n, 8)
        assert told[-1].place is not None, f"step {n}: {told[-1].state}"
        assert (told[-1].place.x, told[-1].place.y) == pytest.approx((90 * n, n), abs=1.5)
