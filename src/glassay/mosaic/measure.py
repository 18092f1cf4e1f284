"""From photos of one chip to where each lies, and how far lengths across them can be trusted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from glassay.errors import NotMeasurable, Unusable
from glassay.imaging.tone import Tone
from glassay.mosaic.assemble import assemble
from glassay.mosaic.compare import (
    Progress,
    Start,
    best_of_pairs,
    elsewhere,
    measured,
    second_chance,
)
from glassay.mosaic.folds import left_open
from glassay.mosaic.lens import Lens, Points
from glassay.mosaic.loops import join_by_loops
from glassay.mosaic.neighbours import Proposal, propose
from glassay.mosaic.outcome import outcome
from glassay.mosaic.overlap import Overlap
from glassay.mosaic.result import MosaicResult, Where
from glassay.mosaic.rival_places import only_decided
from glassay.mosaic.schedule import Workers
from glassay.mosaic.settle import settled, solved_without
from glassay.mosaic.shifts import REACH_SHARE
from glassay.mosaic.slots import beside_placed
from glassay.mosaic.solve import lens_from_pairs
from glassay.mosaic.tile import Tile, Unread, read_tile
from glassay.quantity import Quantity

SURE = 0.8
"""Correlation of the blocks of an overlap from which the lens may be told."""
FEWEST_FOR_LENS = 3
"""Overlaps without which the lens is not told."""
PARTNERS_FIRST = 4
"""Pairs of a tile that are measured first: it has four neighbours beside it in a grid."""

MOST_BESIDE_TWO = 4
"""Photos of which two that no third joins are a mosaic. Of more, some show what these two do if they
lie side by side; where none does, what they show may occur twice (reasoned, not studied)."""

HUNG_ON_OTHERS = "only photos that were left out join it to the mosaic"


def quiet(_: str, __: int, ___: int) -> None:
    """Progress that nobody wants to see."""


def place_tiles(
    paths: Sequence[Path], *, pixel_size: Quantity | None = None, tone: Tone | None = None,
    workers: Workers | None = None, progress: Progress = quiet,
) -> MosaicResult:  # fmt: skip
    """Place photos of one chip, taken in one setting, in unknown order.

    Raises `NotMeasurable` when no two of them hold together, `Unusable` when fewer than two files
    can be read.
    """
    workers = workers or Workers()
    read = list(
        workers.map(read_tile, [(p, tone) for p in paths], lambda n, m: progress("read", n, m))
    )
    where: dict[int, Where] = {}
    tiles = _usable(read, where)
    usable = [n for n in range(len(read)) if n not in where]
    if len(usable) < 2:
        reason = next((w.reason for w in where.values() if w.reason), "")
        raise Unusable(
            f"a mosaic needs at least two different photos that can be read; {reason}".rstrip("; ")
        )
    proposals = propose(tiles)
    if not proposals:
        raise NotMeasurable("no two of these photos are seen to show the same place")
    lenses = _first_lenses(tiles, proposals)
    found: list[Overlap] = []
    bare: list[Start] = []
    doubted: set[tuple[int, int]] = set()

    def ranked() -> list[Overlap]:
        """One overlap for each pair, after all its places have been seen."""
        judged = [o.judged(lenses[o.first], lenses[o.second]) for o in found]
        best = best_of_pairs(judged, bare)
        new = [o for o in best if o.decided and (o.first, o.second) not in doubted]
        doubted.update((o.first, o.second) for o in new)
        more, narrow = elsewhere(tiles, lenses, new, workers, progress)
        found.extend(more)
        bare.extend(narrow)
        judged += [o.judged(lenses[o.first], lenses[o.second]) for o in more]
        return best_of_pairs(judged, bare) if more or narrow else best

    for some in _strongest_first(proposals):
        starts = [(p.first, p.second, _rigid(p, lenses)) for p in some]
        found += measured(tiles, lenses, starts, REACH_SHARE, workers, progress)
        lenses = _better_lenses(tiles, lenses, found)
        overlaps = ranked()
        groups = assemble(overlaps, lenses)
        if len(groups[0]) == len(tiles):  # other pairs that overlap are compared where they now lie
            break
    if len(groups[0]) < len(tiles):
        found += second_chance(tiles, lenses, groups, overlaps, workers, progress)
        lenses = _better_lenses(tiles, lenses, found)
        overlaps = ranked()
        groups = assemble(overlaps, lenses)
    while 2 < len(groups[0]) < len(tiles):
        before = len(groups[0])
        found += beside_placed(tiles, lenses, groups, overlaps, workers, progress)
        overlaps = ranked()
        groups = assemble(overlaps, lenses)
        if len(groups[0]) <= before:
            break
    if len(groups[0]) < len(tiles):
        groups, more = join_by_loops(tiles, lenses, overlaps, groups, workers, progress)
        overlaps = best_of_pairs([*overlaps, *more])
        found += more
    if len(groups[0]) < 2:
        raise NotMeasurable(_why_none(overlaps))
    poses, solution, overlaps, zooms = settled(
        tiles, lenses, overlaps, groups[0], workers, progress
    )
    held = set(poses)
    poses, solution, overlaps, rivals = only_decided(
        tiles, poses, solution, overlaps, found, workers, progress
    )
    own = [solution.lens(t.shape) for t in tiles]
    unsure = left_open(tiles, poses, own, workers, progress)
    if unsure:
        poses, solution, overlaps = solved_without(unsure, poses, solution, overlaps, own)
    if len(poses) == 2 and len(tiles) > MOST_BESIDE_TWO:
        raise NotMeasurable(
            f"only two of {len(tiles)} photos seem to belong together, and no third confirms it: what"
            " they show may occur twice"
        )
    for tile, reason in unsure.items():
        where[usable[tile]] = Where(paths[usable[tile]], None, reason)
    for tile, distance in rivals.items():
        reason = (
            f"it fits as well {distance:.0f} px from its likeliest place: what it shows repeats"
        )
        where[usable[tile]] = Where(paths[usable[tile]], None, reason)
    for tile, scale in zooms.items():
        # how much, its neighbours tell too low: they gave way while all were solved together
        than = "larger" if scale > 1 else "smaller"
        reason = f"taken at another zoom: it shows things {than} than the others do"
        where[usable[tile]] = Where(paths[usable[tile]], None, reason)
    for tile in held - poses.keys():
        where.setdefault(usable[tile], Where(paths[usable[tile]], None, HUNG_ON_OTHERS))
    return outcome(paths, tiles, usable, where, groups, poses, solution, overlaps, pixel_size, read,
                   workers, progress)  # fmt: skip


def _usable(read: Sequence[Tile | Unread], where: dict[int, Where]) -> list[Tile]:
    seen: dict[str, Path] = {}
    tiles = []
    for number, one in enumerate(read):
        if isinstance(one, Unread):
            where[number] = Where(one.path, None, one.reason)
        elif one.digest in seen:
            where[number] = Where(one.path, None, f"the same file as {seen[one.digest].name}")
        else:
            seen[one.digest] = one.path
            tiles.append(one)
    return tiles


def _strongest_first(proposals: Sequence[Proposal]) -> tuple[list[Proposal], ...]:
    """The proposals in two parts: all those of pairs that have the most votes of either tile, then the
    others, most of which are false and would take more time than those that hold."""
    votes: dict[tuple[int, int], int] = {}
    for p in proposals:
        votes[p.first, p.second] = max(votes.get((p.first, p.second), 0), p.votes)
    of_tile: dict[int, list[tuple[int, int]]] = {}
    for pair in sorted(votes, key=lambda pair: (-votes[pair], pair)):
        for tile in pair:
            of_tile.setdefault(tile, []).append(pair)
    strong = {pair for pairs in of_tile.values() for pair in pairs[:PARTNERS_FIRST]}
    return (
        [p for p in proposals if (p.first, p.second) in strong],
        [p for p in proposals if (p.first, p.second) not in strong],
    )


def _first_lenses(tiles: Sequence[Tile], proposals: Sequence[Proposal]) -> list[Lens]:
    strong = sorted(proposals, key=lambda p: -p.votes)[:400]
    shape = tiles[strong[0].first].shape
    pairs = [(p.here, p.there) for p in strong if p.votes >= 12
             and tiles[p.first].shape == shape == tiles[p.second].shape]  # fmt: skip
    lens = lens_from_pairs(pairs, shape) if len(pairs) >= 3 else Lens(shape)
    return [Lens(t.shape, lens.k1, lens.k2) for t in tiles]


def _better_lenses(
    tiles: Sequence[Tile], lenses: Sequence[Lens], overlaps: Sequence[Overlap]
) -> list[Lens]:
    """Lenses from the blocks of what surely overlaps; where that is hardly anything, from those of what
    occurs once and is alike, of which too few blocks may agree while the lens is not known: theirs are
    taken where by them more do."""
    shape = tiles[0].shape
    alike = [o for o in overlaps if o.correlation > SURE and not len(o.rivals) and o.pinned
             and tiles[o.first].shape == shape == tiles[o.second].shape]  # fmt: skip
    sure = [o for o in alike if o.decided]
    if len(sure) >= FEWEST_FOR_LENS:
        return _with_lens_of(sure, lenses, shape)
    if len(alike) < FEWEST_FOR_LENS:
        return list(lenses)
    likely = _with_lens_of(alike, lenses, shape)
    before, after = (
        sum(o.judged(known[o.first], known[o.second]).share for o in alike)
        for known in (lenses, likely)
    )
    return likely if after > before else list(lenses)


def _with_lens_of(
    overlaps: Sequence[Overlap], lenses: Sequence[Lens], shape: tuple[int, int]
) -> list[Lens]:
    best = sorted(overlaps, key=lambda o: -o.correlation * o.share)[:200]
    lens = lens_from_pairs([(o.here, o.there) for o in best], shape)
    return [replace(own, k1=lens.k1, k2=lens.k2) for own in lenses]


def _rigid(proposal: Proposal, lenses: Sequence[Lens]) -> Points:
    """Turn and shift, undistorted px, that the features of a proposal agree on."""
    here = lenses[proposal.first].undistorted(proposal.here)
    there = lenses[proposal.second].undistorted(proposal.there)
    matrix, _ = cv2.estimateAffinePartial2D(
        here, there, ransacReprojThreshold=max(2.0, 0.002 * lenses[0].half_diagonal), maxIters=500
    )
    if matrix is None:
        matrix = proposal.matrix
    angle = math.atan2(matrix[1, 0], matrix[0, 0])
    c, s = math.cos(angle), math.sin(angle)
    linear = np.array([[c, -s], [s, c]])
    return np.column_stack([linear, np.median(there - here @ linear.T, axis=0)])


def _why_none(overlaps: Sequence[Overlap]) -> str:
    if any(o.holds for o in overlaps):
        return "the photos fit at several places equally well: what they share only repeats"
    return (
        "of no two of these photos it is sure that they show the same place: they share nothing, or too"
        " little to tell how the lens distorts"
    )
