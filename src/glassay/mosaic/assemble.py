"""From overlaps to groups of tiles that hold together, before anything is solved together.

Overlaps that no rival disputes join tiles, those confirmed by a triangle before those that stand alone,
which must agree in many blocks and nearly perfectly.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from glassay.mosaic.lens import Lens, Points, applied, composed, inverse
from glassay.mosaic.overlap import Overlap

SAME_PLACE_PX = 4.0
"""Distance within which two ways to one tile lead to the same place, before all is solved together:
the error of a rotation at the far side of a tile."""

Poses = dict[int, Points]
Neighbours = dict[int, dict[int, Points]]


def assemble(overlaps: Sequence[Overlap], lenses: Sequence[Lens]) -> list[Poses]:
    """Groups of tiles, the largest first, each tile's matrix from its undistorted px to the group's."""
    decided = [o for o in overlaps if o.decided]
    around = _neighbours(decided)
    joining = [o for o in decided if o.places or _support(o, around, lenses)]
    ranked = sorted(joining, key=lambda o: (-min(_support(o, around, lenses), 2),
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
    return sorted(poses.values(), key=lambda p: (-len(p), min(p)))


def _join(group: dict[int, int], poses: dict[int, Poses], a: int, b: int, onto: Points) -> None:
    if len(poses[b]) > len(poses[a]):
        a, b, onto = b, a, inverse(onto)
    for tile, matrix in poses.pop(b).items():
        poses[a][tile] = composed(onto, matrix)
        group[tile] = a


def _support(one: Overlap, around: Neighbours, lenses: Sequence[Lens]) -> int:
    """How many loops confirm an overlap: triangles, and quadrilaterals, since tiles on a grid share
    with their diagonal neighbours no more than a corner."""
    middle = lenses[one.second].middle[None, :]
    direct = applied(inverse(one.matrix), middle)
    count = 0
    for third, first_third in around[one.first].items():
        back = around[one.second].get(third)
        if back is not None:
            way = applied(inverse(first_third), applied(back, middle))
            count += bool(np.hypot(*(way - direct)[0]) < SAME_PLACE_PX)
        if third == one.second:
            continue
        for fourth, second_fourth in around[one.second].items():
            across = around[fourth].get(third)
            if across is None or fourth == one.first:
                continue
            way = applied(composed(across, second_fourth), middle)
            way = applied(inverse(first_third), way)
            count += bool(np.hypot(*(way - direct)[0]) < SAME_PLACE_PX)
    return count


def _neighbours(decided: Sequence[Overlap]) -> Neighbours:
    """For every tile, its neighbours and the matrix from the tile to each."""
    table: Neighbours = defaultdict(dict)
    for one in decided:
        table[one.first][one.second] = one.matrix
        table[one.second][one.first] = inverse(one.matrix)
    return table
