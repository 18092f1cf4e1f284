"""All tiles and their one lens, solved together.

Unknowns: the place of every tile's middle and its turn, and the shared k1 and k2. Observations: the
blocks of every overlap. Least squares with two guards: blocks that stand off weigh less (Cauchy), and
an overlap that stands off as a whole is switched off step by step (Geman and McClure's loss with a
scale that narrows: Suenderhauf and Protzel 2012, Yang et al. 2020). Normal equations are sparse; the
covariance of anything that depends on the unknowns is J C J^T.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse.linalg import SuperLU, splu

from glassay.mosaic.lens import Lens, Points, applied
from glassay.mosaic.overlap import Overlap

LEAST_SCATTER_PX = 0.02
"""Standard uncertainty of a block that no count of photons lowers: sampling, compression."""
LENS_PRIOR = (0.1, 0.01)
"""Standard uncertainty of k1 and k2 before anything is seen: lenses stay within 10 %, and their next
order within a tenth of that (from memory). Few tiles leave k2 open, and corners would follow it."""
SWITCH_FROM_PX, SWITCH_TO_PX = 12.0, 1.0
ROUNDS = 14
CLUSTERED = 6.0
"""Blocks of an overlap for each independent one when nothing else tells: neighbours err together."""


@dataclass(frozen=True, eq=False)
class Solution:
    """The mosaic's geometry.

    `tiles` are the tiles solved, `middles` (n, 2) where their middles lie and `turns` (n,) their
    turns (rad); `k1`, `k2` the lens. `used` says which overlaps were kept. `scatter_px` is the rms
    of what is left of the blocks; `variance` what the normal equations' inverse is multiplied by.
    """

    tiles: tuple[int, ...]
    middles: Points
    turns: Points
    k1: float
    k2: float
    used: npt.NDArray[np.bool_]
    edge_rests: Points
    scatter_px: float
    variance: float
    inverse_normal: SuperLU
    sandwich: Points
    edge_rows: sparse.csr_matrix

    def lens(self, shape: tuple[int, int]) -> Lens:
        """The lens for photos of `shape`."""
        return Lens(shape, self.k1, self.k2)

    def matrix(self, tile: int, lens: Lens) -> Points:
        """2 x 3 from the tile's undistorted px to the mosaic's."""
        at = self.tiles.index(tile)
        c, s = math.cos(self.turns[at]), math.sin(self.turns[at])
        linear = np.array([[c, -s], [s, c]])
        return np.column_stack([linear, self.middles[at] - linear @ lens.middle])

    def length_u(
        self, ends: tuple[tuple[int, Points, Lens], tuple[int, Points, Lens]]
    ) -> tuple[float, float, float]:
        """Length between two points (tile, photo px, lens), px, and its standard uncertainty from the
        placement alone and from the lens."""
        place, row = [], np.zeros((2, 3 * len(self.tiles) + 2))
        for sign, (tile, point, lens) in zip((1, -1), ends, strict=True):
            at = self.tiles.index(tile)
            slopes, turned = _point_slopes(self.turns[at], point[None, :], lens)
            row[:, 3 * at : 3 * at + 3] += sign * slopes[0]
            row[:, -2:] += sign * turned[0]
            place.append(applied(self.matrix(tile, lens), lens.undistorted(point[None, :]))[0])
        gap = place[0] - place[1]
        length = float(np.hypot(*gap))
        gradient = row.T @ (gap / max(length, 1e-9))
        solved = self.inverse_normal.solve(gradient)
        model = self.variance * float(gradient @ solved)
        shares = self.edge_rows @ solved
        sandwich = float((shares**2).sum()) * len(shares) / max(1, len(shares) - 3)
        total = math.sqrt(max(model, sandwich, 0.0))
        lens_part = abs(float(gradient[-2:] @ (self.sandwich @ gradient[-2:]))) ** 0.5
        return length, math.sqrt(max(total**2 - lens_part**2, 0.0)), min(lens_part, total)

    def lens_covariance(self) -> Points:
        """Covariance of k1 and k2, (2, 2)."""
        return self.sandwich


def _point_slopes(turn: float, points: Points, lens: Lens) -> tuple[Points, Points]:
    """Derivatives of mosaic places by x, y and turn (n, 2, 3), and by k1 and k2 (n, 2, 2)."""
    slopes, bent, _ = _slopes(turn, lens.undistorted(points) - lens.middle, lens.slopes(points))
    return slopes, bent


def _slopes(turn: float, away: Points, bent: Points) -> tuple[Points, Points, Points]:
    """The same of undistorted points `away` from the middle whose slopes by k1 and k2 are `bent`; and
    the points turned."""
    c, s = math.cos(turn), math.sin(turn)
    linear = np.array([[c, -s], [s, c]])
    turned = away @ linear.T
    slopes = np.zeros((len(away), 2, 3))
    slopes[:, 0, 0] = slopes[:, 1, 1] = 1
    slopes[:, 0, 2], slopes[:, 1, 2] = -turned[:, 1], turned[:, 0]
    return slopes, linear @ bent, turned


def _undistorted_all(
    edges: Sequence[Overlap], lenses: Sequence[Lens]
) -> list[tuple[Points, Points]]:
    """Of both ends of every edge, undistorted points from the middle and slopes by k1 and k2: found at
    once for all photos of one shape."""
    ends = [e for edge in edges for e in ((edge.first, edge.here), (edge.second, edge.there))]
    out: list[tuple[Points, Points]] = [(np.empty(0), np.empty(0))] * len(ends)
    for shape in {lens.shape for lens in lenses}:
        which = [n for n, (tile, _) in enumerate(ends) if lenses[tile].shape == shape]
        if not which:
            continue
        lens = lenses[ends[which[0]][0]]
        points = np.concatenate([ends[n][1] for n in which])
        away, bent = lens.undistorted(points) - lens.middle, lens.slopes(points)
        cuts = np.cumsum([len(ends[n][1]) for n in which])[:-1]
        for n, one, two in zip(which, np.split(away, cuts), np.split(bent, cuts), strict=True):
            out[n] = one, two
    return out


def lens_from_pairs(
    pairs: Sequence[tuple[Points, Points]], shape: tuple[int, int], rounds: int = 6
) -> Lens:
    """The lens that makes every pair of tiles a similarity, from loose features (here, there).

    Linearised: each pair's own similarity is projected out of its residuals, k1 is what remains.
    """
    lens = Lens(shape)
    for _ in range(rounds):
        top = bottom = 0.0
        for here, there in pairs:
            u, v = lens.undistorted(here), lens.undistorted(there)
            centred = u - u.mean(axis=0)
            x, y = centred.T
            one, zero = np.ones_like(x), np.zeros_like(x)
            design = np.stack(
                [np.stack([one, zero, x, -y], 1), np.stack([zero, one, y, x], 1)], axis=1
            ).reshape(-1, 4)
            target = v.ravel()
            own = np.linalg.lstsq(design, target, rcond=None)[0]
            linear = np.array([[own[2], -own[3]], [own[3], own[2]]])
            rest = (target - design @ own).reshape(-1, 2)
            bend = (np.einsum("ij,nj->ni", linear, lens.slopes(here)[..., 0])
                    - lens.slopes(there)[..., 0]).ravel()  # fmt: skip
            bend = (bend - design @ np.linalg.lstsq(design, bend, rcond=None)[0]).reshape(-1, 2)
            size = np.hypot(*rest.T)
            weight = 1 / (1 + (size / max(1.0, 1.5 * float(np.median(size)))) ** 2)
            top += float((weight[:, None] * rest * bend).sum())
            bottom += float((weight[:, None] * bend * bend).sum())
        # a lens within some percent is taken for granted: one px over a diagonal
        step = top / (bottom + (2.0 / LENS_PRIOR[0]) ** 2)
        lens = Lens(shape, float(np.clip(lens.k1 + step, -0.25, 0.25)))
        if abs(step) < 1e-6:
            break
    return lens


def solve(
    overlaps: Sequence[Overlap], poses: dict[int, Points], lenses: Sequence[Lens]
) -> Solution:
    """Solve the tiles of one group. `lenses` of all tiles give the frame and the first guess."""
    tiles = tuple(sorted(poses))
    index = {tile: n for n, tile in enumerate(tiles)}
    edges = [o for o in overlaps if o.first in index and o.second in index]
    middles = np.array([applied(poses[t], lenses[t].middle[None, :])[0] for t in tiles])
    turns = np.array([math.atan2(poses[t][1, 0], poses[t][0, 0]) for t in tiles])
    k = np.array([lenses[tiles[0]].k1, lenses[tiles[0]].k2])
    starts = np.concatenate([[0], np.cumsum([len(e.here) for e in edges])]).astype(int)
    weights = np.ones(starts[-1])
    switch = np.ones(len(edges))
    for number in range(ROUNDS):
        own = [Lens(lens.shape, float(k[0]), float(k[1])) for lens in lenses]
        system = _System.of(edges, index, own, middles, turns, weights, switch, starts)
        change = system.factor().solve(-system.right)
        n = len(tiles)
        moves = change[: 3 * n].reshape(n, 3)
        middles, turns, k = middles + moves[:, :2], turns + moves[:, 2], k + change[-2:]
        own = [Lens(lens.shape, float(k[0]), float(k[1])) for lens in lenses]
        system = _System.of(edges, index, own, middles, turns, weights, switch, starts)
        rests = np.hypot(*system.rests.T)
        distance = np.einsum("ni,nij,nj->n", system.rests, system.information, system.rests)
        spread = max(float(np.median(distance)) / (2 * math.log(2)), 1e-6)
        weights = 1 / (1 + distance / spread / 9)
        scale = max(SWITCH_TO_PX, SWITCH_FROM_PX * 0.6**number)
        off = np.array([float(np.median(rests[a:b])) for a, b in pairwise(starts)])
        switch = (scale**2 / (scale**2 + off**2)) ** 2
        if number > 8 and np.abs(moves[:, :2]).max() < 1e-3:
            break
    used = off < 3 * SWITCH_TO_PX
    switch = np.where(used, switch, 0.0)
    system = _System.of(edges, index, own, middles, turns, weights, switch, starts)
    factor = system.factor()
    distance = np.einsum("ni,nij,nj->n", system.rests, system.information, system.rests)
    effective = np.repeat(switch, np.diff(starts)) * weights
    freedom = max(2.0 * float(effective.sum()) - 3 * len(tiles), 1.0)
    variance = float((effective * distance).sum()) / freedom * CLUSTERED
    rows = system.edge_gradients(len(tiles))
    tail = np.zeros((3 * len(tiles) + 2, 2))
    tail[-2, 0] = tail[-1, 1] = 1
    solved = factor.solve(tail)
    shares = rows @ solved
    sandwich = shares.T @ shares * len(edges) / max(1, len(edges) - 3)
    model = variance * solved[-2:]
    lens_cov = sandwich if np.trace(sandwich) > np.trace(model) else model
    kept = effective > 0.05
    scatter = (
        math.sqrt(float((system.rests[kept] ** 2).sum(axis=1).mean() / 2)) if kept.any() else 0.0
    )
    return Solution(
        tiles, middles, turns, float(k[0]), float(k[1]), used, off, scatter, variance, factor,
        lens_cov, rows,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _System:
    normal: sparse.csc_matrix
    right: Points
    rests: Points
    information: Points
    gradients: Points
    columns: npt.NDArray[np.int64]
    starts: npt.NDArray[np.int64]

    @classmethod
    def of(
        cls, edges: Sequence[Overlap], index: dict[int, int], lenses: Sequence[Lens],
        middles: Points, turns: Points, weights: Points, switch: Points,
        starts: npt.NDArray[np.int64],
    ) -> _System:  # fmt: skip
        size = 3 * len(middles) + 2
        rows, columns, values = [], [], []
        right = np.zeros(size)
        rests, infos, gradients, places = [], [], [], []
        seen = _undistorted_all(edges, lenses)
        for number, edge in enumerate(edges):
            part = slice(starts[number], starts[number + 1])
            a, b = index[edge.first], index[edge.second]
            ja, ka, from_a = _slopes(turns[a], *seen[2 * number])
            jb, kb, from_b = _slopes(turns[b], *seen[2 * number + 1])
            rest = (from_a + middles[a]) - (from_b + middles[b])
            information = _turned_information(edge, turns[b])
            jacobian = np.concatenate([ja, -jb, ka - kb], axis=2)
            weighted = information * (weights[part] * switch[number])[:, None, None]
            along = weighted @ jacobian
            normal = np.tensordot(along, jacobian, axes=((0, 1), (0, 1)))
            gradient = np.tensordot(along, rest, axes=((0, 1), (0, 1)))
            at = np.concatenate(
                [3 * a + np.arange(3), 3 * b + np.arange(3), size - 2 + np.arange(2)]
            )
            rows.append(np.repeat(at, 8))
            columns.append(np.tile(at, 8))
            values.append(normal.ravel())
            np.add.at(right, at, gradient)
            rests.append(rest)
            infos.append(information)
            gradients.append(gradient)
            places.append(at)
        normal_matrix = sparse.coo_matrix(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
            shape=(size, size),
        ).tolil()
        # gauge: the first tile stays where it is; the lens is held by its prior
        for n in range(3):
            normal_matrix[n, n] += 1e6 * (1 if n < 2 else 1e6)
        for n, u in enumerate(LENS_PRIOR):
            normal_matrix[size - 2 + n, size - 2 + n] += 1 / u**2
        normal_matrix = normal_matrix.tocsc() + 1e-9 * sparse.identity(size, format="csc")
        return cls(
            normal_matrix.tocsc(), right, np.concatenate(rests), np.concatenate(infos),
            np.array(gradients), np.array(places), starts,
        )  # fmt: skip

    def factor(self) -> SuperLU:
        """The factorised normal equations."""
        return splu(self.normal, permc_spec="MMD_AT_PLUS_A")

    def edge_gradients(self, tiles: int) -> sparse.csr_matrix:
        """One row for each overlap: its part of the gradient."""
        count = len(self.gradients)
        row = np.repeat(np.arange(count), 8)
        return sparse.csr_matrix(
            (self.gradients.ravel(), (row, self.columns.ravel())), shape=(count, 3 * tiles + 2)
        )


def _turned_information(edge: Overlap, turn: float) -> Points:
    """Information in the mosaic's px, no better than `LEAST_SCATTER_PX`."""
    c, s = math.cos(turn), math.sin(turn)
    linear = np.array([[c, -s], [s, c]])
    small = 1e-9 * np.eye(2)
    covariance = np.linalg.inv(edge.information + small) + LEAST_SCATTER_PX**2 * np.eye(2)
    return np.asarray(linear @ np.linalg.inv(covariance) @ linear.T)
