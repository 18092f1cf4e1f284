"""Pairs that were compressed, enlarged and compressed again, and factors close to JPEG's grid.

The pictures are those of `studies.attack.native` that were told wrongly, each with the fault it showed.
"""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np
import pytest
from studies.attack.case import REFUSED, RIGHT
from studies.attack.native import KINDS


def sort_of(kind: str, index: int, folder: Path) -> str:
    rng = np.random.default_rng([zlib.crc32(f"native/{kind}".encode()), index])
    return KINDS[kind][1](rng, folder).sort


@pytest.mark.parametrize("index", [5002, 70172, 70197])
def test_the_grid_of_the_compression_before_is_no_factor_of_its_own(
    index: int, tmp_path: Path
) -> None:
    """Mirrors at 7/8 of those of 4/3 and 8/5 were told as 1.52 and 1.83."""
    assert sort_of("enlarged pair, 4/3 and 8/5, JPEG's grid", index, tmp_path) == REFUSED


@pytest.mark.parametrize("index", [70049, 70185])
def test_what_compression_leaves_at_eight_fifths_makes_no_copies_of_eight_thirds(
    index: int, tmp_path: Path
) -> None:
    assert sort_of("enlarged pair, any factor", index, tmp_path) == RIGHT


def test_smooth_kernels_make_no_copies(tmp_path: Path) -> None:
    """2.42 was told as 1.70: the weaker of its two mirrors has 0.37 of the coherence of the other."""
    assert sort_of("enlarged pair, any factor", 80079, tmp_path) == RIGHT


def test_between_eight_thirds_and_copies_by_eight_fifths_nothing_is_said_where_signs_do_not_tell(
    tmp_path: Path,
) -> None:
    """2.68 was told as 1.60."""
    assert sort_of("enlarged pair, any factor", 90086, tmp_path) == REFUSED


def test_a_factor_close_to_the_grid_is_not_excluded_by_signs_that_tell_the_grid_s_own_alone(
    tmp_path: Path,
) -> None:
    """1.345 was told as native."""
    assert sort_of("enlarged pair, any factor", 110022, tmp_path) == REFUSED
