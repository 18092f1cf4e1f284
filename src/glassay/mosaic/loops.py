"""Groups of tiles joined where what they share repeats, as over a memory array.

Each overlap that repeats has several shifts, and each is a hypothesis for the place of the whole group.
A hypothesis is put to all pairs of tiles that would overlap then: each is compared anew over shifts
around that place. The groups are joined only where one shift is common to nearly all of these pairs and
no other to as many; where two are, nothing in the photos tells which is true.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from glassay.mosaic.assemble import SAME_PLACE_PX, Poses
from glassay.mosaic.compare import Progress, measured
from glassay.mosaic.lens import Lens, Points, applied, composed, inverse
from glassay.mosaic.overlap import Overlap
from glassay.mosaic.schedule import Workers
from glassay.mosaic.settle import FEWEST_AGAINST, overlapping
from glassay.mosaic.shifts import REACH_SHARE
from glassay.mosaic.tile import Tile
from glassay.mosaic.whole import as_alike

WIDE_REACH = 2 * REACH_SHARE
"""How far around a hypothesis shifts are tried, in tile diagonals: twice as far as those from which
the hypotheses come, so that a place one period beyond them is seen."""
TRIED = 3
"""Hypotheses tried for two groups, those on which most overlaps agree first; and once one holds, as
many of those that lie farther from it than shifts were tried: if another holds, nothing is joined."""
MOST_PLACES = 12
"""Hypotheses kept, of which those are taken."""
FEWEST_PAIRS = 2
"""Pairs that must hold between what is joined, or moved, and what is not."""
NEARLY_ALL = 0.8
"""Share of the pairs that must have the shift in common."""


def join_by_loops(
    tiles: Sequence[Tile], lenses: Sequence[Lens], overlaps: Sequence[Overlap],
    groups: Sequence[Poses], workers: Workers, progress: Progress,
) -> tuple[list[Poses], list[Overlap]]:  # fmt: skip
    """Groups, the largest first, and the overlaps that were found between those that were joined."""
    poses = {n: dict(group) for n, group in enumerate(groups)}
    unsure = [o for o in overlaps if o.holds]
    known = {(o.first, o.second): o.evidence for o in unsure}
    refused: set[tuple[int, int, int, int]] = set()
    found: list[Overlap] = []
    while True:
        group = {tile: n for n, own in poses.items() for tile in own}
        between: dict[tuple[int, int], list[Overlap]] = defaultdict(list)
        for one in unsure:
            a, b = group[one.first], group[one.second]
            if a != b:
                between[min(a, b), max(a, b)].append(one)
        for (a, b), edges in sorted(between.items(), key=lambda item: (-len(item[1]), item[0])):
            key = (a, b, len(poses[a]), len(poses[b]))
            if key in refused:
                continue
            joined: tuple[Points, list[Overlap]] | None = None
            tried = 0
            for onto in _places(poses[a], poses[b], edges, lenses):
                if joined is not None and _away(onto, joined[0], poses[b], lenses) < WIDE_REACH:
                    continue  # of the places near that one, it was the best
                starts = _crossing(poses[a], poses[b], onto, lenses)
                tried += 1
                if tried > TRIED:
                    break
                if len(starts) < FEWEST_PAIRS:
                    continue
                fresh = measured(tiles, lenses, starts, WIDE_REACH, workers, progress)
                fresh = [o.judged(lenses[o.first], lenses[o.second]) for o in fresh]
                shift = _common_shift(fresh, known, poses[a], poses[b], onto, lenses)
                if shift is None:
                    continue
                if joined is not None:  # far apart, and one is as good as the other
                    joined = None
                    break
                onto = onto.copy()
                onto[:, 2] += shift
                joined = onto, [o for o in fresh if o.holds]
                tried = 0
            if joined is not None:
                onto, held = joined
                poses[a] |= {t: composed(onto, m) for t, m in poses.pop(b).items()}
                found += held
                break
            refused.add(key)
        else:
            break
    return sorted(poses.values(), key=lambda p: (-len(p), min(p))), found


def _places(
    one: Poses, two: Poses, edges: Sequence[Overlap], lenses: Sequence[Lens]
) -> list[Points]:
    """Where the second group may lie in the first's frame: what most overlaps agree on first."""
    candidates: list[tuple[int, Points]] = []
    for number, edge in enumerate(edges):
        for shift in np.concatenate([np.zeros((1, 2)), edge.rivals]):
            matrix = edge.matrix.copy()
            matrix[:, 2] += shift
            if edge.first in one:
                onto = composed(
                    composed(one[edge.first], inverse(matrix)), inverse(two[edge.second])
                )
            else:
                onto = composed(composed(one[edge.second], matrix), inverse(two[edge.first]))
            candidates.append((number, onto))
    tile = min(two)
    probe = applied(two[tile], lenses[tile].middle[None, :])
    places = np.array([applied(onto, probe)[0] for _, onto in candidates])
    owners = np.array([number for number, _ in candidates])
    near = np.hypot(*(places[:, None] - places[None, :]).transpose(2, 0, 1)) < SAME_PLACE_PX
    votes = np.array([len(set(owners[row].tolist())) for row in near])
    kept: list[int] = []
    for n in np.argsort(-votes, kind="stable"):
        if not near[n, kept].any():
            kept.append(int(n))
        if len(kept) == MOST_PLACES:
            break
    return [candidates[n][1] for n in kept]


def _away(one: Points, other: Points, poses: Poses, lenses: Sequence[Lens]) -> float:
    """How far apart two places of a group put it, in tile diagonals."""
    tile = min(poses)
    probe = applied(poses[tile], lenses[tile].middle[None, :])
    gap = np.abs(applied(one, probe) - applied(other, probe)).max()
    return float(gap / (2 * lenses[tile].half_diagonal))


def _crossing(
    one: Poses, two: Poses, onto: Points, lenses: Sequence[Lens]
) -> list[tuple[int, int, Points]]:
    """Pairs of a tile of each group that overlap when the second lies there."""
    both = one | {t: composed(onto, m) for t, m in two.items()}
    return [
        (a, b, composed(inverse(both[b]), both[a]))
        for a, b in overlapping(both, lenses)
        if (a in one) != (b in one)
    ]


def _common_shift(
    fresh: Sequence[Overlap], known: dict[tuple[int, int], float], one: Poses, two: Poses,
    onto: Points, lenses: Sequence[Lens],
) -> Points | None:  # fmt: skip
    """How far to move the second group, where the pairs agree on that and on nothing else. `known` is
    the evidence of pairs where they fit best: what fits surely worse speaks against the place."""
    both = one | {t: composed(onto, m) for t, m in two.items()}
    shifts, owners = [], []
    telling = 0
    for number, pair in enumerate(fresh):
        if not pair.holds:
            telling += len(pair.every.here) >= FEWEST_AGAINST
            continue
        telling += 1
        if not as_alike(known.get((pair.first, pair.second), 0.0), pair.evidence):
            continue
        here = lenses[pair.first].undistorted(pair.here.mean(axis=0)[None, :])
        first = applied(both[pair.first], here)[0]
        sign = 1.0 if pair.first in one else -1.0
        for shift in np.concatenate([np.zeros((1, 2)), pair.rivals]):
            second = applied(both[pair.second], applied(pair.matrix, here) + shift)[0]
            shifts.append(sign * (first - second))
            owners.append(number)
    if not shifts:
        return None
    moves = np.array(shifts)
    near = np.hypot(*(moves[:, None] - moves[None, :]).transpose(2, 0, 1)) < SAME_PLACE_PX
    votes = np.array([len({owners[k] for k in np.flatnonzero(row)}) for row in near])
    best = int(np.argmax(votes))
    others = votes[np.hypot(*(moves - moves[best]).T) > 2 * SAME_PLACE_PX]
    if votes[best] < max(FEWEST_PAIRS, NEARLY_ALL * telling) or (others >= votes[best]).any():
        return None
    return np.asarray(np.median(moves[near[best]], axis=0))
