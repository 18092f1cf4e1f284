"""Exposure, colour and shading of all tiles, evened over the whole mosaic.

In linear light, a tile shows the object times its own gain in each channel, times the shading that all
tiles of a setting share (Goldman 2010). Where two tiles show one place, the logarithms differ by gains
and shading alone; a robust least-squares fit over all overlaps gives both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, sparse
from scipy.sparse.linalg import lsqr

from glassay.fitting import SIGMA_OF_MAD
from glassay.mosaic.lens import Lens, Points, applied, inverse
from glassay.mosaic.tile import Tile

GAIN_PRIOR, SHADE_PRIOR = 0.5, 0.5
"""Standard uncertainty of log gains and shading terms before anything is seen."""
SCATTER = 0.05
"""Scatter of log light between tiles from which the fit begins; it then takes the one that is found."""

POINTS_PER_PAIR = 40
"""Points of an overlap, spread over it: it tells a gain and a slope or two of the shading."""

LEAST_LIGHT = 0.01
"""Light, of full scale, below which its logarithm is mostly noise and offset."""

POWERS = [(i, j) for i in range(5) for j in range(5) if 0 < i + j <= 4]


@dataclass(frozen=True, eq=False)
class Light:
    """`gains` (tiles, 3): log gain of each tile and channel, 0 on average; `shading` (terms, 3): the
    shared polynomial of log light over x, y in half diagonals; `corner` percent of the middle's light
    at the corner and its standard uncertainty (green)."""

    gains: Points
    shading: Points
    corner: tuple[float, float]

    def correction(self, tile: int, points: Points, lens: Lens) -> Points:
        """Factor for linear light, (n, 3), at photo points (n, 2)."""
        return np.asarray(np.exp(-self.gains[tile] - _terms(points, lens) @ self.shading))


def _terms(points: Points, lens: Lens) -> Points:
    x, y = ((points - lens.middle) / lens.half_diagonal).T
    return np.stack([x**i * y**j for i, j in POWERS], axis=1)


def even_light(
    tiles: Sequence[Tile], matrices: Sequence[Points], lenses: Sequence[Lens],
    pairs: Sequence[tuple[int, int]],
) -> Light:  # fmt: skip
    """Gains and shading of placed tiles from the pairs that overlap."""
    rows: list[Points] = []
    values: list[Points] = []
    for a, b in pairs:
        here, there = _shared_points(tiles, matrices, lenses, a, b)
        if len(here) < 4:
            continue
        light_a, light_b = _light_at(tiles[a], here), _light_at(tiles[b], there)
        good = (np.minimum(light_a, light_b) > LEAST_LIGHT).all(axis=1)
        good &= (np.maximum(light_a, light_b) < 0.95).all(axis=1)
        if good.sum() < 4:
            continue
        here, there = here[good], there[good]
        row = np.zeros((len(here), 2 + len(POWERS)))
        row[:, 0], row[:, 1] = a, b
        row[:, 2:] = _terms(here, lenses[a]) - _terms(there, lenses[b])
        rows.append(row)
        values.append(np.log(light_a[good]) - np.log(light_b[good]))
    count = len(tiles)
    if not rows:
        return Light(np.zeros((count, 3)), np.zeros((len(POWERS), 3)), (100.0, math.inf))
    table, target = np.concatenate(rows), np.concatenate(values)
    gains, shading = np.zeros((count, 3)), np.zeros((len(POWERS), 3))
    corner_u = 0.0
    corner_terms = _corner_terms(lenses[0])
    for channel in range(3):
        solution, scatter = _fitted(table, target[:, channel], count)
        gains[:, channel], shading[:, channel] = solution[:count], solution[count:]
        if channel == 1:
            design = table[:, 2:]
            covariance = np.linalg.pinv(design.T @ design + 1e-9 * np.eye(len(POWERS))) * scatter**2
            corner_u = math.sqrt(float(corner_terms @ covariance @ corner_terms))
    corner = 100 * math.exp(float(corner_terms @ shading[:, 1]))
    return Light(gains, shading, (corner, corner * corner_u))


def _corner_terms(lens: Lens) -> Points:
    height, width = lens.shape
    corners = np.array([(0, 0), (width - 1, 0), (0, height - 1), (width - 1, height - 1)], float)
    return np.asarray(_terms(corners, lens).mean(axis=0))


def _fitted(table: Points, target: Points, count: int) -> tuple[Points, float]:
    lines = len(table)
    weight = np.ones(lines)
    index = np.arange(lines)
    pair = sparse.csr_matrix(
        (
            np.r_[np.ones(lines), -np.ones(lines)],
            (np.r_[index, index], table[:, :2].T.ravel().astype(int)),
        ),
        shape=(lines, count),
    )
    design = sparse.hstack([pair, sparse.csr_matrix(table[:, 2:])]).tocsr()
    prior = sparse.diags(
        np.r_[
            np.full(count, SCATTER / GAIN_PRIOR),
            np.full(design.shape[1] - count, SCATTER / SHADE_PRIOR),
        ]
    )
    solution = np.zeros(design.shape[1])
    scatter = SCATTER
    for _ in range(5):
        root = np.sqrt(weight)
        whole = sparse.vstack([sparse.diags(root) @ design, prior])
        solution = lsqr(
            whole, np.r_[root * target, np.zeros(design.shape[1])], atol=1e-10, btol=1e-10
        )[0]
        rest = target - design @ solution
        scatter = max(1e-3, SIGMA_OF_MAD * float(np.median(np.abs(rest))))
        weight = 1 / (1 + (rest / scatter / 2) ** 2)
    return solution, scatter


def _shared_points(
    tiles: Sequence[Tile], matrices: Sequence[Points], lenses: Sequence[Lens], a: int, b: int
) -> tuple[Points, Points]:
    tile = tiles[a]
    rows, columns = np.nonzero(tile.valid[1:-1, 1:-1])
    here = np.stack([columns, rows], axis=1).astype(np.float64) * tile.cell + 1.5 * tile.cell - 0.5
    onto = applied(inverse(matrices[b]), applied(matrices[a], lenses[a].undistorted(here)))
    there = lenses[b].distorted(onto)
    other = tiles[b]
    at = (there + 0.5) / other.cell - 0.5
    inside = (at >= 1).all(axis=1) & (at <= np.array(other.valid.shape[::-1]) - 2).all(axis=1)
    here, there, at = here[inside], there[inside], at[inside]
    near = np.rint(at).astype(int)
    good = other.valid[near[:, 1], near[:, 0]] if len(near) else np.zeros(0, dtype=bool)
    here, there = here[good], there[good]
    if len(here) > POINTS_PER_PAIR:
        step = np.linspace(0, len(here) - 1, POINTS_PER_PAIR).astype(int)
        here, there = here[step], there[step]
    return here, there


def _light_at(tile: Tile, points: Points) -> Points:
    at = ((points + 0.5) / tile.cell - 0.5).T[::-1]
    # a little wider than a cell: what was placed a fraction of a cell off weighs less
    return np.stack(
        [
            ndimage.map_coordinates(tile.thumb[..., c], at, order=1, mode="nearest")
            for c in range(3)
        ],
        axis=1,
    ).astype(np.float64)
