"""From overlaps to groups of tiles that hold together, before anything is solved together.

Overlaps that no rival disputes join tiles first, those confirmed by a triangle before those that
stand alone. Where an overlap repeats, as over a memory array, each of its shifts is a hypothesis for
the tile; a tile is placed by such overlaps only where several of them have one place in common and
no second place serves as many.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from glassay.mosaic.lens import Lens, Points, applied, composed, inverse
from glassay.mosaic.overlap import Overlap

SAME_PLACE_PX = 4.0
"""Distance within which two ways to one tile lead to the same place, before all is solved together;
the error of a rotation at the far side of a tile."""

Poses = dict[int, Points]
Neighbours = dict[int, dict[int, Points]]


def assemble(overlaps: Sequence[Overlap], lenses: Sequence[Lens]) -> list[Poses]:
    """Groups of tiles, the largest first, each tile's matrix from its undistorted px to the group's."""
    decided = [o for o in overlaps if o.decided]
    around = _neighbours(decided)
    ranked = sorted(decided, key=lambda o: (-min(_support(o, around, lenses), 2),
                                            -o.share * o.correlation * math.sqrt(len(o.here)),
                                            o.first, o.second))  # fmt: skip
    group: dict[int, int] = {n: n for n in range(len(lenses))}
    poses: dict[int, Poses] = {n: {n: np.eye(2, 3)} for n in range(len(lenses))}
    for one in ranked:
        a, b = group[one.first], group[one.second]
        if a == b:
            continue
        # of the second group's frame to the first's
        onto = composed(
            composed(poses[a][one.first], inverse(one.matrix)), inverse(poses[b][one.second])
        )
        _join(group, poses, a, b, onto)
    _place_by_loops(overlaps, lenses, group, poses)
    return sorted(poses.values(), key=lambda p: (-len(p), min(p)))


def _join(group: dict[int, int], poses: dict[int, Poses], a: int, b: int, onto: Points) -> None:
    if len(poses[b]) > len(poses[a]):
        a, b, onto = b, a, inverse(onto)
    for tile, matrix in poses.pop(b).items():
        poses[a][tile] = composed(onto, matrix)
        group[tile] = a


def _support(one: Overlap, around: Neighbours, lenses: Sequence[Lens]) -> int:
    """How many triangles confirm an overlap."""
    middle = lenses[one.second].middle[None, :]
    direct = applied(inverse(one.matrix), middle)
    count = 0
    for third, first_third in around[one.first].items():
        back = around[one.second].get(third)
        if back is None:
            continue
        way = applied(inverse(first_third), applied(back, middle))
        count += bool(np.hypot(*(way - direct)[0]) < SAME_PLACE_PX)
    return count


def _neighbours(decided: Sequence[Overlap]) -> Neighbours:
    """For every tile, its neighbours and the matrix from the tile to each."""
    table: Neighbours = defaultdict(dict)
    for one in decided:
        table[one.first][one.second] = one.matrix
        table[one.second][one.first] = inverse(one.matrix)
    return table


def _place_by_loops(
    overlaps: Sequence[Overlap], lenses: Sequence[Lens], group: dict[int, int],
    poses: dict[int, Poses],
) -> None:  # fmt: skip
    """Join groups by overlaps that repeat, where one place is common to more of them than any other."""
    unsure = [o for o in overlaps if o.holds and not o.decided]
    while True:
        between: dict[tuple[int, int], list[Overlap]] = defaultdict(list)
        for one in unsure:
            a, b = sorted((group[one.first], group[one.second]))
            if a != b:
                between[a, b].append(one)
        found = False
        for (a, b), edges in sorted(between.items(), key=lambda item: -len(item[1])):
            onto = _common_place(a, edges, lenses, group, poses)
            if onto is not None:
                _join(group, poses, a, b, onto)
                found = True
                break
        if not found:
            return


def _common_place(
    a: int, edges: Sequence[Overlap], lenses: Sequence[Lens], group: dict[int, int],
    poses: dict[int, Poses],
) -> Points | None:  # fmt: skip
    """Where group b lies in group a's frame, if the edges' hypotheses have one place in common."""
    if len({frozenset((e.first, e.second)) for e in edges}) < 2:
        return None
    candidates: list[tuple[int, Points]] = []
    for number, edge in enumerate(edges):
        for shift in np.concatenate([np.zeros((1, 2)), edge.rivals]):
            matrix = edge.matrix.copy()
            matrix[:, 2] += shift
            if group[edge.first] == a:
                onto = composed(poses[a][edge.first], inverse(matrix))
                other = edge.second
            else:
                onto = composed(poses[a][edge.second], matrix)
                other = edge.first
            candidates.append((number, composed(onto, inverse(poses[group[other]][other]))))
    edge = edges[0]
    b_tile = edge.second if group[edge.first] == a else edge.first
    probe = applied(poses[group[b_tile]][b_tile], lenses[b_tile].middle[None, :])
    places = np.array([applied(onto, probe)[0] for _, onto in candidates])
    owners = np.array([number for number, _ in candidates])
    near = np.hypot(*(places[:, None] - places[None, :]).transpose(2, 0, 1)) < SAME_PLACE_PX
    votes = np.array([len(set(owners[row].tolist())) for row in near])
    best = int(np.argmax(votes))
    rivals = votes[~near[best]]
    if votes[best] < 2 or (len(rivals) and rivals.max() >= votes[best]):
        return None
    return candidates[best][1]
