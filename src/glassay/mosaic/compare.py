"""Pairs of tiles compared, as tasks for threads or a cluster."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import reverse_cuthill_mckee

from glassay.imaging.tone import Tone
from glassay.mosaic.assemble import Poses
from glassay.mosaic.blocks import Picture
from glassay.mosaic.greys import grey_of
from glassay.mosaic.lens import Lens, Points, applied, composed, inverse
from glassay.mosaic.overlap import AGAIN_PX, Overlap, lay_upon, measure_overlap, overlap_close_to
from glassay.mosaic.schedule import Workers
from glassay.mosaic.shifts import REACH_SHARE
from glassay.mosaic.tile import Mask, Tile
from glassay.mosaic.whole import (
    LEAST_WHOLE,
    Whole,
    alike_elsewhere,
    as_alike,
    least_mismatch,
    whole_of,
    whole_shifts,
)

Progress = Callable[[str, int, int], None]
Start = tuple[int, int, Points]

BATCH = 24
"""Overlaps measured by one task: neighbours, so that a tile is reduced once or twice in all."""
SECOND_CHANCES = 36
"""Tiles of other groups with which a tile that joined nothing is correlated as a whole, the likest in
colour first: where memories cover most of a die, its neighbours may be anywhere among 20."""
MOST_ONCE, MOST_ALIKE = 8, 4
"""Of these, how many are measured: those of which what both share stands out most (of 31 neighbours in
a grid of 20 such photos 20 were among the first 23 of all pairs), and those that agree best."""
LIKEST = 12
"""Tiles beside which a placed one is tried elsewhere, the likest in colour."""


@dataclass(frozen=True, eq=False)
class _Kept:
    """What a worker must know of a tile."""

    path: Path
    digest: str
    tone: Tone
    lens: Lens
    valid: Mask
    cell: int


def measured(
    tiles: Sequence[Tile], lenses: Sequence[Lens], starts: Sequence[Start], reach: float,
    workers: Workers, progress: Progress,
) -> list[Overlap]:  # fmt: skip
    """Overlaps of pairs, in batches of neighbours; shifts up to `reach` (tile diagonals) are tried."""
    ordered = _near_together(starts, len(tiles))
    tasks = []
    for begin in range(0, len(ordered), BATCH):
        batch = ordered[begin : begin + BATCH]
        tasks.append((batch, _known(tiles, lenses, {n for a, b, _ in batch for n in (a, b)}),
                      reach))  # fmt: skip
    out: list[Overlap] = []
    for found in workers.map(_measure_batch, tasks, lambda n, m: progress("compare", n, m)):
        out += found
    return sorted(out, key=lambda o: (o.first, o.second))


def elsewhere(
    tiles: Sequence[Tile], lenses: Sequence[Lens], overlaps: Sequence[Overlap], workers: Workers,
    progress: Progress,
) -> tuple[list[Overlap], list[Start]]:  # fmt: skip
    """Overlaps of the same pairs at other places, over all shifts: where things repeat farther apart
    than shifts were tried, one place is as good as the other. Beside them places that are too narrow
    to be measured, at which whole tiles are as alike."""
    if not overlaps:
        return [], []
    side = float(max(max(t.shape) for t in tiles))
    ordered = _near_together([(o.first, o.second, o.matrix) for o in overlaps], len(tiles))
    tasks = []
    for begin in range(0, len(ordered), BATCH):
        batch = ordered[begin : begin + BATCH]
        needed = {n for a, b, _ in batch for n in (a, b)}
        tasks.append((batch, _known(tiles, lenses, needed), side))
    out: list[Overlap] = []
    bare: list[Start] = []
    for found, narrow in workers.map(_elsewhere_batch, tasks, lambda n, m: progress("doubt", n, m)):
        out += found
        bare += narrow
    return sorted(out, key=lambda o: (o.first, o.second)), bare


def _elsewhere_batch(
    batch: Sequence[Start], kept: dict[int, _Kept], side: float
) -> tuple[list[Overlap], list[Start]]:
    cv2.setNumThreads(1)
    picture = _pictures(kept)

    @lru_cache(maxsize=8)
    def level(number: int) -> Whole:
        return whole_of(picture(number).coarse, kept[number].lens.middle, 0.0, side)

    out: list[Overlap] = []
    bare: list[Start] = []
    for first, second, matrix in batch:
        turn = math.atan2(matrix[1, 0], matrix[0, 0])
        two = whole_of(picture(second).coarse, kept[second].lens.middle, -turn, side)
        reach = 2 * REACH_SHARE * kept[second].lens.half_diagonal
        for other, alike in alike_elsewhere(level(first), two, matrix, reach):
            found = overlap_close_to(first, second, picture(first), picture(second), other)
            if found is not None:
                out.append(found)
            elif alike:
                bare.append((first, second, other))
    return out, bare


Verdict = tuple[Overlap | None, bool]


def verdicts(
    tiles: Sequence[Tile], lenses: Sequence[Lens], starts: Sequence[Start], workers: Workers,
    progress: Progress,
) -> list[Verdict]:  # fmt: skip
    """Of every start the overlap there, if any, and whether both tiles surely show different things."""
    tasks = []
    for begin in range(0, len(starts), BATCH):
        batch = starts[begin : begin + BATCH]
        needed = {n for a, b, _ in batch for n in (a, b)}
        tasks.append((batch, _known(tiles, lenses, needed)))
    out: list[Verdict] = []
    for told in workers.map(_verdict_batch, tasks, lambda n, m: progress("doubt", n, m)):
        out += told
    return out


def _verdict_batch(batch: Sequence[Start], kept: dict[int, _Kept]) -> list[Verdict]:
    cv2.setNumThreads(1)
    picture = _pictures(kept)
    return [
        lay_upon(first, second, picture(first), picture(second), matrix)
        for first, second, matrix in batch
    ]


def _known(tiles: Sequence[Tile], lenses: Sequence[Lens], numbers: set[int]) -> dict[int, _Kept]:
    return {
        n: _Kept(t.path, t.digest, t.tone, lenses[n], t.valid, t.cell)
        for n, t in ((n, tiles[n]) for n in sorted(numbers))
    }


def _near_together(starts: Sequence[Start], count: int) -> list[Start]:
    """Pairs ordered so that those of one tile follow each other (Cuthill and McKee 1969)."""
    a, b = (np.array([s[n] for s in starts], dtype=np.int64) for n in (0, 1))
    graph = sparse.coo_matrix(
        (np.ones(2 * len(a)), (np.r_[a, b], np.r_[b, a])), shape=(count, count)
    )
    rank = np.empty(count, dtype=np.int64)
    rank[reverse_cuthill_mckee(graph.tocsr(), symmetric_mode=True)] = np.arange(count)
    order = np.lexsort((np.minimum(rank[a], rank[b]), np.maximum(rank[a], rank[b])))
    return [starts[n] for n in order]


def _measure_batch(batch: Sequence[Start], kept: dict[int, _Kept], reach: float) -> list[Overlap]:
    cv2.setNumThreads(1)
    picture = _pictures(kept)
    out: list[Overlap] = []
    for first, second, matrix in batch:
        if out and (out[-1].first, out[-1].second) == (first, second) and out[-1].places:
            middle = kept[first].lens.middle[None, :]
            here, there = applied(matrix, middle)[0], applied(out[-1].matrix, middle)[0]
            if math.dist(here, there) < reach * kept[first].lens.half_diagonal:
                continue  # another proposal of the place that was found
        found = measure_overlap(first, second, picture(first), picture(second), matrix, reach=reach)
        if found is not None:
            out.append(found)
    return out


def _pictures(kept: dict[int, _Kept]) -> Callable[[int], Picture]:
    """Pictures of tiles, the last few kept."""

    @lru_cache(maxsize=16)
    def picture(number: int) -> Picture:
        own = kept[number]
        grey = grey_of(own.path, own.digest, own.tone)
        return Picture(grey, own.lens, own.valid, own.cell, f"{own.digest} {own.tone}")

    return picture


def second_chance(
    tiles: Sequence[Tile], lenses: Sequence[Lens], groups: Sequence[Poses],
    overlaps: Sequence[Overlap], workers: Workers, progress: Progress,
) -> list[Overlap]:  # fmt: skip
    """Tiles of different groups correlated as wholes, at the turns that their groups have."""
    known = {(o.first, o.second) for o in overlaps if o.decided}
    turn = [0.0] * len(tiles)
    group = [0] * len(tiles)
    for number, poses in enumerate(groups):
        for tile, matrix in poses.items():
            group[tile], turn[tile] = number, math.atan2(matrix[1, 0], matrix[0, 0])
    # the groups' frames are alike turned where their tiles are on average
    level = [float(np.mean([turn[t] for t in poses])) for poses in groups]
    turn = [turn[t] - level[group[t]] for t in range(len(tiles))]
    side = float(max(max(t.shape) for t in tiles))
    tasks = []
    for tile in (t for poses in groups[1:] for t in sorted(poses)):
        others = [t for t in range(len(tiles)) if group[t] != group[tile]
                  and (min(t, tile), max(t, tile)) not in known]  # fmt: skip
        others.sort(key=lambda t: (-likeness(tiles[tile], tiles[t]), t))
        others = others[:SECOND_CHANCES]
        needed = {tile, *others}
        tasks.append((tile, others, {t: turn[t] for t in sorted(needed)}, side,
                      _known(tiles, lenses, needed)))  # fmt: skip
    out: list[Overlap] = []
    for found in workers.map(_whole_batch, tasks, lambda n, m: progress("look again", n, m)):
        out += found
    return out


def likeness(one: Tile, two: Tile) -> float:
    """Correlation of what colours two tiles show: neighbours share films and blocks."""
    return float(np.minimum(_tints(one), _tints(two)).sum())


def _tints(tile: Tile) -> Points:
    light = np.log(np.maximum(tile.thumb[tile.valid], 1e-3))
    tint = light[:, [0, 2]] - light[:, [1]]
    table, _, _ = np.histogram2d(tint[:, 0], tint[:, 1], bins=12, range=[[-1.5, 1.5]] * 2)
    return np.asarray(table.ravel() / max(table.sum(), 1))


def _whole_batch(
    tile: int, others: Sequence[int], turns: dict[int, float], side: float,
    kept: dict[int, _Kept],
) -> list[Overlap]:  # fmt: skip
    cv2.setNumThreads(1)
    picture = _pictures(kept)

    def whole(number: int) -> Whole:
        return whole_of(picture(number).coarse, kept[number].lens.middle, turns[number], side)

    own = whole(tile)
    laid = {other: whole_shifts(own, whole(other)) for other in others}
    once = sorted(laid, key=lambda o: (-laid[o].stands_out, o))[:MOST_ONCE]
    alike = sorted(laid, key=lambda o: (-laid[o].best, o))[:MOST_ALIKE]
    starts = [(o, laid[o].by_what_is_once) for o in once if laid[o].agreeing > LEAST_WHOLE]
    for other in alike:
        gap = laid[other].by_all[:, 2] - laid[other].by_what_is_once[:, 2]
        if laid[other].best > LEAST_WHOLE and (other not in once or np.hypot(*gap) > AGAIN_PX):
            starts.append((other, laid[other].by_all))
    out = []
    for other, matrix in starts:
        first, second = tile, other
        if other < tile:
            first, second, matrix = other, tile, inverse(matrix)
        one = measure_overlap(first, second, picture(first), picture(second), matrix)
        if one is not None:
            out.append(one)
    return out


def least_mismatches(
    tiles: Sequence[Tile], lenses: Sequence[Lens], poses: Poses, asked: Sequence[int],
    shares: tuple[float, float], workers: Workers, progress: Progress,
) -> list[float]:  # fmt: skip
    """Of every tile asked for how little it may differ from another as a neighbour far from where it
    was put (see `whole.least_mismatch`). Those whose colours are most alike are tried, tiles without a
    place too: nobody knows where these belong."""
    side = float(max(max(t.shape) for t in tiles))
    tasks = []
    for tile in asked:
        others = sorted((t for t in range(len(tiles)) if t != tile),
                        key=lambda t: (-likeness(tiles[tile], tiles[t]), t))  # fmt: skip
        needed = [tile, *others[:LIKEST]]
        tasks.append((needed, {t: poses[t] for t in needed if t in poses}, side, shares,
                      _known(tiles, lenses, set(needed))))  # fmt: skip
    return list(workers.map(_mismatch_batch, tasks, lambda n, m: progress("look elsewhere", n, m)))


def _mismatch_batch(
    numbers: Sequence[int], poses: Poses, side: float, shares: tuple[float, float],
    kept: dict[int, _Kept],
) -> float:  # fmt: skip
    cv2.setNumThreads(1)
    picture = _pictures(kept)

    def whole(number: int) -> Whole:
        # turned level with the mosaic; tiles without a place are taken to be level
        own = poses.get(number, np.eye(2, 3))
        turn = math.atan2(own[1, 0], own[0, 0])
        return whole_of(picture(number).coarse, kept[number].lens.middle, turn, side)

    tile, *others = numbers
    own, extent = whole(tile), np.array(kept[tile].lens.shape[::-1], dtype=np.float64)
    found = []
    for other in others:
        put = composed(inverse(poses[other]), poses[tile]) if other in poses else None
        found.append(least_mismatch(own, whole(other), put, extent, shares))
    return min(found)


def best_of_pairs(overlaps: Sequence[Overlap], bare: Sequence[Start] = ()) -> list[Overlap]:
    """One overlap for each pair of tiles; other places where both agree as well are its rivals, and so
    are those of `bare` (see `elsewhere`)."""
    table: dict[tuple[int, int], list[Overlap]] = {}
    for one in overlaps:
        if one.holds:
            table.setdefault((one.first, one.second), []).append(one)
    narrow: dict[tuple[int, int], list[Points]] = {}
    for first, second, matrix in bare:
        narrow.setdefault((first, second), []).append(matrix)
    out = []
    for pair in sorted(table):
        ranked = sorted(
            table[pair], key=lambda o: (len(o.rivals) > 0, -o.correlation * o.share, -len(o.here))
        )
        best = ranked[0]
        more = [best.rivals]
        for other in ranked[1:]:
            if best.places and len(other.rivals):
                continue  # cells fit everywhere: what occurs once tells the place
            gap = other.matrix[:, 2] - best.matrix[:, 2]
            alike = as_alike(best.correlation * best.share, other.correlation * other.share)
            if np.hypot(*gap) > AGAIN_PX and alike:
                more.append(gap[None, :])
        for matrix in narrow.get(pair, ()):
            gap = matrix[:, 2] - best.matrix[:, 2]
            if np.hypot(*gap) > AGAIN_PX:
                more.append(gap[None, :])
        out.append(replace(best, rivals=np.concatenate(more)))
    return out
