"""Which tiles may overlap: every feature is looked up once among all others.

Descriptors are sorted into cells of an inverted file (Sivic and Zisserman 2003; Jegou, Douze and
Schmid 2011), and compared within the few cells nearest to each. Each pair of like features votes for
a turn and a shift between its two tiles; where features of a true overlap agree, votes pile up. Time
grows with the number of tiles, not with its square. Everything is seeded: the same tiles give the
same pairs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.mosaic.tile import Tile

Points = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

AXES = 32
"""Principal axes of the descriptors that are compared: they hold nine tenths of the variance."""
CELL_FEATURES = 48
PROBES = 4
"""Cells in which a feature is looked up."""
LIKE = 5
"""Like features kept for each."""
INDEXED = 700
"""Features of a tile that are indexed, the strongest first."""
LARGEST_DISTANCE = 0.62
"""Distance of root descriptors (unit vectors) beyond which nothing is alike."""
FEWEST_VOTES = 4
MOST_PARTNERS = 14
"""Pairs examined for a tile: it has eight neighbours in a grid, and some votes are false."""
TURN_BIN = math.radians(18)
SHIFT_BIN = 0.09
"""Width of a bin of votes in tile diagonals: a direction that is 3 deg off shifts by as much."""
LOOSE_SHARE = 0.008
"""Distance from a similarity, in diagonals, at which a feature still agrees: distortion of percents
bends an overlap by that."""


MOST_TURN = math.radians(45)
"""Turn of two photos against each other beyond which they are not taken to overlap. A stage keeps the
direction of a chip to degrees (common practice, no source). What looks the same turned by a quarter or
by half, pads, borders and cells, lies all over a chip: of twenty photos of a die of which memories
cover 60 %, eight were joined so, the lower border laid upon the upper one, and nothing denied it."""


@dataclass(frozen=True, eq=False)
class Proposal:
    """Two tiles that may overlap: `matrix` 2 x 3 similarity from px of the first to px of the second,
    and the features that agree with it, (n, 2) each."""

    first: int
    second: int
    matrix: Points
    here: Points
    there: Points

    @property
    def votes(self) -> int:
        """How many features agree."""
        return len(self.here)


@dataclass(frozen=True, eq=False)
class _Matches:
    """Like features: tiles (n,) and indices within them, the first tile's number the smaller."""

    first: Indices
    second: Indices
    here: Points
    there: Points
    turn: Points


def propose(tiles: Sequence[Tile]) -> list[Proposal]:
    """Pairs of tiles that may overlap, by first and second tile."""
    matches = _matches(tiles)
    if not len(matches.first):
        return []
    diagonal = float(np.median([math.hypot(*tile.shape) for tile in tiles]))
    bins = _piled_up(matches, diagonal, len(tiles))
    proposals = []
    for chosen in bins:
        found = _similarity(matches, chosen, diagonal)
        if found is not None:
            proposals.append(found)
    return _best_partners(proposals, len(tiles))


def _matches(tiles: Sequence[Tile]) -> _Matches:
    counts = [min(len(tile.places), INDEXED) for tile in tiles]
    owner = np.repeat(np.arange(len(tiles)), counts)
    empty = np.empty(0, dtype=np.int64)
    if len(owner) < 2:
        return _Matches(empty, empty, np.empty((0, 2)), np.empty((0, 2)), np.empty(0))
    vectors = _projected(
        np.concatenate([t.descriptors[:n] for t, n in zip(tiles, counts, strict=True)])
    )
    places = np.concatenate([t.places[:n] for t, n in zip(tiles, counts, strict=True)])
    angles = np.concatenate([t.angles[:n] for t, n in zip(tiles, counts, strict=True)])
    sizes = np.concatenate([t.sizes[:n] for t, n in zip(tiles, counts, strict=True)])
    one, two = _alike(vectors, owner)
    swap = owner[one] > owner[two]
    one, two = np.where(swap, two, one), np.where(swap, one, two)
    ratio = sizes[two] / sizes[one]
    fits = (ratio > 0.6) & (ratio < 1.67)
    pairs = np.unique(np.stack([one[fits], two[fits]], axis=1), axis=0)
    one, two = pairs.T
    turn = (angles[two] - angles[one] + math.pi) % (2 * math.pi) - math.pi
    return _Matches(owner[one], owner[two], places[one], places[two], turn)


def _projected(descriptors: npt.NDArray[np.uint8]) -> npt.NDArray[np.float32]:
    """Unit descriptors on their principal axes."""
    step = max(1, len(descriptors) // 20_000)
    sample = descriptors[::step].astype(np.float64) / 255
    mean = sample.mean(axis=0)
    _, vectors = np.linalg.eigh((sample - mean).T @ (sample - mean))
    axes = (vectors[:, ::-1][:, :AXES] / 255).astype(np.float32)
    out = np.empty((len(descriptors), axes.shape[1]), dtype=np.float32)
    for start in range(0, len(descriptors), 65_536):
        part = slice(start, start + 65_536)
        out[part] = descriptors[part].astype(np.float32) @ axes
    return np.asarray(out - (mean.astype(np.float32) * 255) @ axes)


def _alike(vectors: npt.NDArray[np.float32], owner: Indices) -> tuple[Indices, Indices]:
    """Pairs of like features of different tiles."""
    centres = _centres(vectors)
    cells = _nearest(vectors, centres, min(PROBES, len(centres)))
    home = cells[:, 0]
    order = np.argsort(home, kind="stable")
    starts = np.searchsorted(home[order], np.arange(len(centres) + 1))
    asking = np.argsort(cells.ravel(), kind="stable")
    asked = cells.ravel()[asking]
    bounds = np.searchsorted(asked, np.arange(len(centres) + 1))
    best = np.full((len(vectors), LIKE), np.inf, dtype=np.float32)
    which = np.full((len(vectors), LIKE), -1, dtype=np.int64)
    squares = (vectors**2).sum(axis=1)
    for cell in range(len(centres)):
        members = order[starts[cell] : starts[cell + 1]]
        if not len(members):
            continue
        every = asking[bounds[cell] : bounds[cell + 1]] // cells.shape[1]
        for start in range(0, len(every), 4096):
            queries = every[start : start + 4096]
            distance = (
                squares[queries, None]
                + squares[members]
                - 2 * vectors[queries] @ vectors[members].T
            )
            distance[owner[queries][:, None] == owner[members]] = np.inf
            joined = np.concatenate([best[queries], distance], axis=1)
            kept = (
                np.argpartition(joined, LIKE - 1, axis=1)[:, :LIKE]
                if joined.shape[1] > LIKE
                else (np.tile(np.arange(LIKE), (len(queries), 1)))
            )
            names = np.concatenate(
                [which[queries], np.broadcast_to(members, (len(queries), len(members)))], axis=1
            )
            best[queries] = np.take_along_axis(joined, kept, axis=1)
            which[queries] = np.take_along_axis(names, kept, axis=1)
    row, column = np.nonzero(best < LARGEST_DISTANCE**2)
    return row.astype(np.int64), which[row, column]


def _centres(vectors: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Centres of cells by a few rounds of k-means (Lloyd 1982) on a sample."""
    count = max(1, len(vectors) // CELL_FEATURES)
    rng = np.random.default_rng(15)
    sample = vectors[rng.choice(len(vectors), min(len(vectors), 12 * count), replace=False)]
    centres = sample[rng.choice(len(sample), min(count, len(sample)), replace=False)].copy()
    for _ in range(4):
        at = _nearest(sample, centres, 1)[:, 0]
        sums = np.zeros_like(centres)
        np.add.at(sums, at, sample)
        number = np.bincount(at, minlength=len(centres))
        filled = number > 0
        centres[filled] = sums[filled] / number[filled, None]
    return centres


def _nearest(
    vectors: npt.NDArray[np.float32], centres: npt.NDArray[np.float32], count: int
) -> Indices:
    """The nearest centres of every vector, nearest first."""
    out = np.empty((len(vectors), count), dtype=np.int64)
    half = (centres**2).sum(axis=1) / 2
    step = max(256, 8_000_000 // len(centres))
    for start in range(0, len(vectors), step):
        near = half - vectors[start : start + step] @ centres.T
        if count == 1:
            out[start : start + step, 0] = near.argmin(axis=1)
            continue
        kept = np.argpartition(near, count - 1, axis=1)[:, :count]
        rank = np.take_along_axis(near, kept, axis=1).argsort(axis=1, kind="stable")
        out[start : start + step] = np.take_along_axis(kept, rank, axis=1)
    return out


def _piled_up(matches: _Matches, diagonal: float, tiles: int) -> list[Indices]:
    """Sets of matches of one pair that vote alike; the largest of each pair, up to three."""
    c, s = np.cos(matches.turn), np.sin(matches.turn)
    x, y = matches.here.T
    shift = matches.there - np.stack([c * x - s * y, s * x + c * y], axis=1)
    turn_bins = round(2 * math.pi / TURN_BIN)
    pair = matches.first * tiles + matches.second
    heaps: list[tuple[int, int, int]] = []
    keys = []
    for offset in range(4):
        aside = (offset % 2) / 2, (offset // 2) / 2
        bx = np.floor(shift[:, 0] / (SHIFT_BIN * diagonal) + aside[0]).astype(np.int64) + 40
        by = np.floor(shift[:, 1] / (SHIFT_BIN * diagonal) + aside[1]).astype(np.int64) + 40
        bt = np.floor(matches.turn / TURN_BIN + (offset % 2) / 2 + turn_bins / 2).astype(np.int64)
        key = ((pair * 64 + bt % turn_bins) * 128 + bx.clip(0, 127)) * 128 + by.clip(0, 127)
        keys.append(key)
        values, counts = np.unique(key, return_counts=True)
        for value, count in zip(
            values[counts >= FEWEST_VOTES], counts[counts >= FEWEST_VOTES], strict=True
        ):
            heaps.append((-int(count), offset, int(value)))
    heaps.sort()
    sorted_keys = [np.argsort(key, kind="stable") for key in keys]
    ordered = [key[order] for key, order in zip(keys, sorted_keys, strict=True)]
    used = np.zeros(len(pair), dtype=np.bool_)
    chosen: list[Indices] = []
    of_pair: dict[int, int] = {}
    of_tile = np.zeros(tiles, dtype=np.int64)
    for _, offset, value in heaps:
        low, high = np.searchsorted(ordered[offset], [value, value + 1])
        members = sorted_keys[offset][low:high]
        members = members[~used[members]]
        if len(members) < FEWEST_VOTES:
            continue
        who = int(pair[members[0]])
        one, two = divmod(who, tiles)
        if of_pair.get(who, 0) >= 3 or min(of_tile[one], of_tile[two]) >= 2 * MOST_PARTNERS:
            continue
        used[members] = True
        of_pair[who] = of_pair.get(who, 0) + 1
        of_tile[one] += 1
        of_tile[two] += 1
        chosen.append(members)
    return chosen


def _similarity(matches: _Matches, members: Indices, diagonal: float) -> Proposal | None:
    here, there = matches.here[members], matches.there[members]
    matrix, inside = cv2.estimateAffinePartial2D(
        here, there, method=cv2.RANSAC, ransacReprojThreshold=LOOSE_SHARE * diagonal,
        maxIters=1000, confidence=0.995,
    )  # fmt: skip
    if matrix is None:
        return None
    kept = inside.ravel() > 0
    scale = math.hypot(*matrix[:, 0])
    if matrix[0, 0] < scale * math.cos(MOST_TURN):
        return None
    if not 0.75 < scale < 1.34 or len(np.unique(np.round(here[kept] / 3), axis=0)) < FEWEST_VOTES:
        return None
    first, second = int(matches.first[members[0]]), int(matches.second[members[0]])
    return Proposal(first, second, np.asarray(matrix), here[kept], there[kept])


def _best_partners(proposals: list[Proposal], tiles: int) -> list[Proposal]:
    """The strongest proposals of every tile."""
    rank = np.zeros(tiles, dtype=np.int64)
    kept = []
    for one in sorted(proposals, key=lambda p: (-p.votes, p.first, p.second)):
        if min(rank[one.first], rank[one.second]) < MOST_PARTNERS:
            kept.append(one)
            rank[[one.first, one.second]] += 1
    return sorted(kept, key=lambda p: (p.first, p.second, -p.votes))
