"""Pairs through lenses that bend, where the overlap does not tell by how much.

The pictures are those of `studies.attack.match` that were told wrongly.
"""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np
from studies.attack.case import RIGHT
from studies.attack.match import KINDS


def test_bends_that_a_fit_swings_between_are_in_the_uncertainty(tmp_path: Path) -> None:
    """1.02705 (u 0.00044) was told for 1.02937: the fit with two bends never settled, and was left out
    of what might be there."""
    kind = "photograph, distortion"
    rng = np.random.default_rng([zlib.crc32(f"match/{kind}".encode()), 300009])
    assert KINDS[kind][1](rng, tmp_path).sort == RIGHT
