"""Photos that lie upon each other: a mosaic that may be folded.

Where a chip repeats and a part of the mosaic is laid a period away from where it belongs, it comes to
lie on photos of another place, and agrees with them perfectly. Photos of a grid move by less than one
step then, so that each shares more than half with another; neighbours that overlap as they should share
less. Whether such photos could lie elsewhere is put to whole pictures: where two of them, laid side
by side as neighbours of this set are, differ nowhere (both may be plain), nothing tells which is true.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from glassay.errors import NotMeasurable
from glassay.mosaic.assemble import Poses
from glassay.mosaic.compare import Progress, least_mismatches
from glassay.mosaic.lens import Lens, applied
from glassay.mosaic.rival_places import MOST_LEFT_OUT
from glassay.mosaic.schedule import Workers
from glassay.mosaic.settle import overlapping
from glassay.mosaic.tile import Tile
from glassay.mosaic.whole import ASIDE

MOST_SHARED = 0.5
"""Share of a photo that it has in common with another from which the two are taken to lie upon each
other. A fold of a grid along one side brings every moved photo within half a step of another, so that
they share at least (1 + overlap) / 2; neighbours in a grid share 0.1 to 0.4."""
NO_NEIGHBOURS = 0.1
"""Share that neighbours are taken to have in common where none are seen."""
AS_WIDE = 0.75
"""Least width of an overlap that is thought of, against the set's usual one: a hand moves the stage."""
MISMATCH = 0.125
"""Mean square difference of evened pictures (structure has contrast one) below which two photos show
nothing different. Sixteen folded mosaics of repeating chips and photographs, 0.03 to 0.10 at the true
place, of which most were plain; 20 true ones of which photos share more than half, 0.15 to 0.45 at
their best (sets of attack drawn for this)."""

Pair = tuple[int, int]


def upon_each_other(poses: Poses, lenses: Sequence[Lens]) -> list[Pair]:
    """Pairs of placed tiles that share more than half of one."""
    return list(overlapping(poses, lenses, MOST_SHARED))


def left_open(
    tiles: Sequence[Tile], poses: Poses, lenses: Sequence[Lens], workers: Workers,
    progress: Progress,
) -> set[int]:  # fmt: skip
    """Tiles that lie upon each other, where one of them could as well be a neighbour of another tile
    far from where it was put; none where all could not.

    Raises `NotMeasurable` where they are more than `MOST_LEFT_OUT` of all.
    """
    folded = {t for pair in upon_each_other(poses, lenses) for t in pair}
    if not folded:
        return set()
    least = AS_WIDE * _usual_share(poses, lenses)
    found = least_mismatches(
        tiles, lenses, poses, sorted(folded), (least, MOST_SHARED), workers, progress
    )
    if min(found, default=np.inf) > MISMATCH:
        return set()
    if len(folded) > MOST_LEFT_OUT * len(poses):
        raise NotMeasurable(
            f"the photos may fit in more than one way: {len(folded)} of {len(poses)} share more than"
            " half with another, as where a chip repeats and is laid upon itself, and would lie as well"
            " beside others, where they show little; photos that overlap by 10 to 40 % leave no such"
            " doubt"
        )
    return folded


def _usual_share(poses: Poses, lenses: Sequence[Lens]) -> float:
    """Median share that photos beside or above each other have in common."""
    shares = []
    for a, b in overlapping(poses, lenses):
        middles = [applied(poses[t], lenses[t].middle[None, :])[0] for t in (a, b)]
        gap = np.abs(middles[0] - middles[1]) / lenses[a].shape[::-1]
        share = float(np.prod(np.maximum(0, 1 - gap)))
        if share < MOST_SHARED and gap.min() < ASIDE:
            shares.append(share)
    return float(np.median(shares)) if shares else NO_NEIGHBOURS
