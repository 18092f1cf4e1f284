"""How well overlaps close: over triangles, on a grid over quadrilaterals, in a row not told."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from glassay.mosaic.lens import Lens
from glassay.mosaic.outcome import loop_closure

LENSES = [Lens((100, 100))] * 4


def overlap(first: int, second: int, x: float, y: float) -> Any:
    return SimpleNamespace(
        first=first, second=second, matrix=np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
    )


ROW = [overlap(0, 1, 80, 0), overlap(1, 2, 0, 80)]


def test_tiles_on_a_grid_close_over_quadrilaterals() -> None:
    square = [*ROW, overlap(2, 3, -80, 0.3), overlap(0, 3, -0.4, 80)]
    assert loop_closure(square, LENSES) == pytest.approx(0.5)  # the 3-4-5 triangle


def test_where_there_are_triangles_they_alone_count() -> None:
    square = [*ROW, overlap(2, 3, -80, 30), overlap(0, 3, 0, 80), overlap(0, 2, 80.1, 80)]
    # 0-1-2 misses by 0.1, 0-2-3 by (0.1, 30)
    assert loop_closure(square, LENSES) == pytest.approx(np.sqrt((0.1**2 + 0.1**2 + 30**2) / 2))


def test_a_row_of_tiles_closes_nothing_and_says_nothing() -> None:
    assert loop_closure(ROW, LENSES) is None
