"""The transfer of a lens with some defocus, from a table: it is asked for thousands of times."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from glassay.optics.transfer import defocused_transfer

Float = npt.NDArray[np.float64]

MOST_WAVES = 1.5
"""Most defocus that the table holds, waves."""

_N = np.linspace(0.0, 1.0, 257)
_WAVES = np.linspace(0.0, MOST_WAVES, 301)
_COMPUTED_WAVES = np.linspace(0.0, MOST_WAVES, 31)


@cache
def _table() -> Float:
    from scipy.interpolate import CubicSpline

    nodes = np.stack([defocused_transfer(_N, waves) for waves in _COMPUTED_WAVES])
    return np.asarray(CubicSpline(_COMPUTED_WAVES, nodes)(_WAVES))


def looked_up(n: Float, waves: Float) -> Float:
    """Transfer at frequencies `n` (m, f) in parts of the cut-off, 0 or more, each row through a lens
    with so many `waves` (m, 1) of defocus, taken as 0 below it and as `MOST_WAVES` beyond: linear
    between the table's nodes both ways.

    It is what `scipy.ndimage.map_coordinates` gives, to the last bit, in less than half of its time:
    that does not know that each row of places lies along one row of the table.
    """
    table = _table()
    row = waves * (len(_WAVES) - 1) / MOST_WAVES
    column = np.minimum(n, 1.0) * (len(_N) - 1)
    above, left = np.floor(row).astype(np.intp)[:, 0], column.astype(np.intp)
    up, before = 1 - (row - above[:, None]), 1 - (column - left)
    down, after = 1 - up, 1 - before
    above, under = (np.clip(at, 0, len(table) - 1) for at in (above, above + 1))
    # one node beyond the last: a place on the last asks for it, and it counts nothing
    width = table.shape[1] + 1
    rows = np.zeros((2, len(row), width))
    np.multiply(table[above], up, out=rows[0, :, :-1])
    np.multiply(table[under], down, out=rows[1, :, :-1])
    flat, at = rows.reshape(-1), left + np.arange(len(row))[:, None] * width
    found = flat[at] * before
    found += flat[at + 1] * after
    at += len(row) * width
    found += flat[at] * before
    found += flat[at + 1] * after
    return np.asarray(found)
