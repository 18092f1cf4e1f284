"""Which photo shows each place sharp, chosen consistently over neighbours.

The choice minimises what is lost in sharpness plus a price for neighbours that differ, a small one
for a step of one photo and a larger, bounded one for a step of height, along eight directions
(Hirschmüller 2008, IEEE PAMI 30:328). Where nothing is sharp the neighbours decide alone. With a
guide, a step of height is cheaper where the guide has an edge too: one body ends there.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage

SMALL_STEP, LARGE_STEP = 0.06, 0.35
"""Prices of a step by one photo and of any larger one, in shares of a full peak of sharpness. On a
simulated die on a floor, a factor of two either way moved 4 % of the sharp places to the next photo at
most, and 0.07 % farther."""
EDGE_PRICE = 0.2
"""Share of the large price that is left at an edge of the guide."""
EDGE_CONTRAST = 4.0
"""Difference of neighbours in the guide, in usual (median) ones, at which it counts for an edge."""
DIRECTIONS = ((0, 1), (1, 0), (1, 1), (1, -1))
"""Ways along which prices are swept, each to and fro: the eight neighbours of a place."""

Volume = npt.NDArray[np.float32]


def choose(
    value: Volume, trust: FloatImage, guide: FloatImage | None = None
) -> npt.NDArray[np.intp]:
    """The photo for each place, (rows, columns), from curves (photos, rows, columns), 1 at the peak.

    `guide` (rows, columns) is a picture of the same places.
    """
    cost = np.ascontiguousarray(np.moveaxis(trust * (1 - value), 0, -1), dtype=np.float32)
    picture = np.zeros(trust.shape, dtype=np.float32)
    if guide is not None:
        usual = float(np.median(np.abs(np.diff(guide, axis=0))))
        picture = np.asarray(guide / (EDGE_CONTRAST * max(usual, 1e-6)), dtype=np.float32)
    total = np.zeros_like(cost)
    for down, along in DIRECTIONS:
        for sign in (1, -1):
            total += _swept(cost, picture, sign * down, sign * along)
    return np.asarray(np.argmin(total, axis=-1), dtype=np.intp)


def _swept(cost: Volume, picture: FloatImage, down: int, along: int) -> Volume:
    """Least cost of each photo at each place over paths that arrive from one direction."""
    if down == 0:
        turned = _swept(np.swapaxes(cost, 0, 1), picture.T, along, 0)
        return np.swapaxes(turned, 0, 1)
    found = np.empty_like(cost)
    rows = range(cost.shape[0]) if down > 0 else range(cost.shape[0] - 1, -1, -1)
    before: int | None = None
    for row in rows:
        if before is None:
            found[row] = cost[row]
        else:
            came = _moved(found[before], along)
            edge = np.abs(picture[row] - _moved(picture[before], along))
            price = LARGE_STEP * (EDGE_PRICE + (1 - EDGE_PRICE) * np.exp(-edge))[:, None]
            small = np.minimum(SMALL_STEP, price)
            least = came.min(axis=1, keepdims=True)
            best = np.minimum(came, least + price)
            np.minimum(best[:, 1:], came[:, :-1] + small, out=best[:, 1:])
            np.minimum(best[:, :-1], came[:, 1:] + small, out=best[:, :-1])
            found[row] = cost[row] + best - least
        before = row
    return found


def _moved(row: Volume, along: int) -> Volume:
    if along == 0:
        return row
    moved = np.roll(row, along, axis=0)
    edge = 0 if along > 0 else -1
    moved[edge] = 0.0  # no path arrives from outside
    return moved
