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

EXACTLY_PX = 2.0
"""How exactly photos lie upon each other that are held by what the camera leaves in each of them: no
hand comes back so near."""
DIFFERENT = 0.05
"""Difference of light (`_difference`) from which such photos show different places: 20 taken twice
gave up to 0.021, in six photos held by marks alone the two least alike gave 0.11 and more."""
BETWEEN = (10, 90)
"""Percentiles beyond which light is cut off there: a printed date is black or white."""

TWICE = "it shares more than half with another photo: one place taken twice, or what repeats"
_DIFFERENT_UPON = "it fits exactly upon another photo that shows something else: what they share is"
_MARKS = "the camera's own, dirt on its sensor or a date that it prints into the photo"
MARKED = f"{_DIFFERENT_UPON} {_MARKS}"
MARKED_OR_REPEATS = f"{_DIFFERENT_UPON} what repeats, or {_MARKS}"
"""Why a tile that lies upon another was left out."""

Pair = tuple[int, int]


def upon_each_other(poses: Poses, lenses: Sequence[Lens]) -> list[Pair]:
    """Pairs of placed tiles that share more than half of one."""
    return list(overlapping(poses, lenses, MOST_SHARED))


def left_open(
    tiles: Sequence[Tile], poses: Poses, lenses: Sequence[Lens], workers: Workers,
    progress: Progress,
) -> dict[int, str]:  # fmt: skip
    """Tiles that lie upon each other, where one of them could as well be a neighbour of another tile
    far from where it was put, or which only the camera's own marks hold, each with the reason to leave
    it out; none where there are none.

    Raises `NotMeasurable` where they are more than `MOST_LEFT_OUT` of all.
    """
    pairs = upon_each_other(poses, lenses)
    folded = {t for pair in pairs for t in pair}
    if not folded:
        return {}
    least = AS_WIDE * _usual_share(poses, lenses)
    found = least_mismatches(
        tiles, lenses, poses, sorted(folded), (least, MOST_SHARED), workers, progress
    )
    if min(found, default=np.inf) > MISMATCH:
        return dict.fromkeys(_only_marked(tiles, poses, lenses, pairs), MARKED)
    if len(folded) > MOST_LEFT_OUT * len(poses):
        raise NotMeasurable(
            f"the photos may fit in more than one way: {len(folded)} of {len(poses)} share more than"
            " half with another, as where a chip repeats and is laid upon itself, and would lie as well"
            " beside others, where they show little; photos that overlap by 10 to 40 % leave no such"
            " doubt"
        )
    marked = _held_by_marks(tiles, poses, lenses, pairs)
    return {t: MARKED_OR_REPEATS if t in marked else TWICE for t in folded}


def _only_marked(
    tiles: Sequence[Tile], poses: Poses, lenses: Sequence[Lens], pairs: Sequence[Pair]
) -> set[int]:
    """Tiles held by marks, to be left out; raises `NotMeasurable` where they are too many."""
    marked = _held_by_marks(tiles, poses, lenses, pairs)
    if len(marked) > MOST_LEFT_OUT * len(poses):
        raise NotMeasurable(
            f"{len(marked)} of {len(poses)} photos fit exactly upon each other though they show"
            " different things: what they share is the camera's own, dirt on its sensor or a date that"
            " it prints into the photo; cut it off, or clean the sensor"
        )
    return marked


def _held_by_marks(
    tiles: Sequence[Tile], poses: Poses, lenses: Sequence[Lens], pairs: Sequence[Pair]
) -> set[int]:
    """Tiles that lie exactly upon others, of which any shows something else than another."""
    exact = []
    for a, b in pairs:
        corners = lenses[a].middle * np.array([[1.0, 1], [0, 0], [2, 2]])
        if np.abs(applied(poses[a], corners) - applied(poses[b], corners)).max() < EXACTLY_PX:
            exact.append((a, b))
    differ = [_difference(tiles[a], tiles[b]) for a, b in exact]
    marked = {
        t for pair, value in zip(exact, differ, strict=True) if value > DIFFERENT for t in pair
    }
    # those that lie upon these, and happen to show much the same, are held by the same marks
    return marked | {t for pair in exact if marked & set(pair) for t in pair}


def _difference(one: Tile, two: Tile) -> float:
    """By how much the light of two photos differs from place to place, as a share of how much it varies
    in both: 0 for one place taken twice, 1 for two that have nothing in common."""
    if one.thumb.shape != two.thumb.shape:
        return 1.0
    both = one.valid & two.valid
    if not both.any():
        return 1.0
    a, b = (np.log(np.maximum(t.thumb[both].mean(axis=1), 1e-4)) for t in (one, two))
    # a date printed into a photo is darker or brighter than most that it shows
    a, b = (np.clip(v, *np.percentile(v, BETWEEN)) for v in (a, b))
    return float((a - b).var() / max(float(a.var() + b.var()), 1e-12))


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
