"""Places beside the placed tiles that a set leaves free, and what its other tiles show there.

Who photographs a chip moves the stage by much the same step each time. A tile whose neighbours share
little more than cells has too few features to be found by them; where a neighbour would lie
it is compared directly. A step says only where to look: what holds there is judged as everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from glassay.mosaic.assemble import Poses
from glassay.mosaic.compare import Progress, Start, likeness, measured
from glassay.mosaic.lens import Lens, Points, applied, composed, inverse
from glassay.mosaic.overlap import Overlap
from glassay.mosaic.schedule import Workers
from glassay.mosaic.shifts import REACH_SHARE
from glassay.mosaic.tile import Tile

ASKEW = 0.35
"""Most of a step that may lead across its direction, as a share of what leads along: rows that are
displaced by less than a third of a photo still count as rows."""
TAKEN = 0.5
"""A place is taken by a tile nearer than this share of the shorter step."""
SAME_SLOT = 0.25
"""Places nearer to each other than this share of the shorter step are one."""
MOST_SLOTS = 16
"""Places that a tile is tried at, those beside the tiles first that are most like it: a row or two of
what a set of a few dozen leaves free."""


def beside_placed(
    tiles: Sequence[Tile], lenses: Sequence[Lens], groups: Sequence[Poses],
    overlaps: Sequence[Overlap], workers: Workers, progress: Progress,
) -> list[Overlap]:  # fmt: skip
    """Overlaps of tiles outside the largest group with those in it, measured at the free places beside
    these. Nothing where the group shows no step."""
    placed = groups[0]
    middles = {t: applied(m, lenses[t].middle[None, :])[0] for t, m in placed.items()}
    steps = _steps(placed, middles, lenses, overlaps)
    if not steps:
        return []
    slots = _free(middles, steps)
    turn = math.atan2(*np.mean([m[:, 0] for m in placed.values()], axis=0)[::-1])
    known = {(o.first, o.second) for o in overlaps if o.decided}
    starts: list[Start] = []
    for tile in (t for poses in groups[1:] for t in sorted(poses)):
        alike = {t: likeness(tiles[tile], tiles[t]) for t in placed}
        order = sorted(slots, key=lambda slot: -max(alike[t] for t in slot[1]))
        for place, beside in order[:MOST_SLOTS]:
            own = _laid_at(place, turn, lenses[tile])
            for other in beside:
                pair = min(tile, other), max(tile, other)
                if pair in known:
                    continue
                onto = composed(inverse(placed[other]), own)
                starts.append((*pair, onto if pair[0] == tile else inverse(onto)))
    return measured(tiles, lenses, starts, REACH_SHARE, workers, progress) if starts else []


def _steps(
    placed: Poses, middles: dict[int, Points], lenses: Sequence[Lens], overlaps: Sequence[Overlap]
) -> list[Points]:
    """The usual steps (x, y) from a tile to those beside, above and below it, in the group's frame."""
    away = np.array(
        [middles[o.second] - middles[o.first] for o in overlaps
         if o.decided and o.first in placed and o.second in placed]
    ).reshape(-1, 2)  # fmt: skip
    height, width = lenses[min(placed)].shape
    out = []
    for along, side in ((0, width), (1, height)):
        forward = away * np.where(away[:, [along]] < 0, -1.0, 1.0)
        kept = np.abs(forward[:, 1 - along]) < ASKEW * forward[:, along]
        # a tile farther off than it is wide is beside another one
        kept &= forward[:, along] < side
        if kept.any():
            step = np.median(forward[kept], axis=0)
            out += [step, -step]
    return out


def _free(middles: dict[int, Points], steps: Sequence[Points]) -> list[tuple[Points, list[int]]]:
    """Free places (x, y) of a tile's middle, and the tiles that they lie beside."""
    short = min(math.hypot(*step) for step in steps)
    taken = np.array(list(middles.values()))
    out: list[tuple[Points, list[int]]] = []
    for tile, middle in sorted(middles.items()):
        for step in steps:
            place = middle + step
            if np.hypot(*(taken - place).T).min() < TAKEN * short:
                continue
            near = next((s for s in out if math.dist(s[0], place) < SAME_SLOT * short), None)
            if near is None:
                out.append((place, [tile]))
            else:
                near[1].append(tile)
    return out


def _laid_at(place: Points, turn: float, lens: Lens) -> Points:
    """The matrix (2, 3) that puts a tile's middle at a place, turned as said."""
    c, s = math.cos(turn), math.sin(turn)
    linear = np.array([[c, -s], [s, c]])
    return np.column_stack([linear, place - linear @ lens.middle])
