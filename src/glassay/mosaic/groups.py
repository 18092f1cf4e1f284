"""Which tiles hang together, from pairs that features propose to groups, before all is solved together.

Pairs are compared, the lens is told from those that surely hold, and by it they are judged anew; what
then hangs on nothing is looked for in other ways, one after the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2

from glassay.errors import NotMeasurable
from glassay.mosaic.assemble import Poses, assemble
from glassay.mosaic.compare import (
    Progress,
    Start,
    best_of_pairs,
    elsewhere,
    measured,
    second_chance,
)
from glassay.mosaic.lens import Lens, Points, laid_upon
from glassay.mosaic.loops import join_by_loops
from glassay.mosaic.neighbours import Proposal, propose
from glassay.mosaic.overlap import Overlap
from glassay.mosaic.schedule import Workers
from glassay.mosaic.shifts import REACH_SHARE
from glassay.mosaic.slots import beside_placed
from glassay.mosaic.solve import lens_from_pairs
from glassay.mosaic.tile import Tile

SURE = 0.8
"""Correlation of the blocks of an overlap from which the lens may be told."""
FEWEST_FOR_LENS = 3
"""Overlaps without which the lens is not told."""
PARTNERS_FIRST = 4
"""Pairs of a tile that are measured first: it has four neighbours beside it in a grid."""

OTHER_LENS = 0.005
"""Change of k1, k2 from which what was compared by the lens before is compared again: by so much,
corners of a photo of 700 px lie 2 px elsewhere, three times what blocks may stand off."""
MOST_LENSES = 3
"""How often, at most: the second time it is compared by a lens that was told from overlaps."""


class Groups:
    """The search for how tiles hang together: what is found on the way, and the groups it makes."""

    def __init__(self, tiles: Sequence[Tile], workers: Workers, progress: Progress) -> None:
        self._tiles, self._workers, self._progress = tiles, workers, progress
        self._proposals = propose(tiles)
        if not self._proposals:
            raise NotMeasurable("no two of these photos are seen to show the same place")
        self._lenses = _first_lenses(tiles, self._proposals)
        self._found: list[Overlap] = []
        self._bare: list[Start] = []
        self._doubted: set[tuple[int, int]] = set()
        self._overlaps: list[Overlap] = []
        self._groups: list[Poses] = []

    def found(self) -> tuple[list[Lens], list[Poses], list[Overlap], list[Overlap]]:
        """Lenses of all tiles; groups, the largest first; the overlap of each pair; all overlaps that
        were found, of a pair at several places too."""
        for _ in range(MOST_LENSES):
            before = self._lenses[0]
            self._compare_proposed()
            if self._complete:
                break
            self._add(second_chance(self._tiles, self._lenses, self._groups, self._overlaps,
                                    self._workers, self._progress))  # fmt: skip
            now = self._lenses[0]
            if self._complete or math.dist((before.k1, before.k2), (now.k1, now.k2)) < OTHER_LENS:
                break
        size = 0
        while not self._complete and max(size, 2) < len(self._groups[0]):
            size = len(self._groups[0])
            self._add(beside_placed(self._tiles, self._lenses, self._groups, self._overlaps,
                                    self._workers, self._progress))  # fmt: skip
        if not self._complete:
            self._groups, more = join_by_loops(
                self._tiles,
                self._lenses,
                self._overlaps,
                self._groups,
                self._workers,
                self._progress,
            )
            self._overlaps = best_of_pairs([*self._overlaps, *more])
            self._found += more
        return self._lenses, self._groups, self._overlaps, self._found

    @property
    def _complete(self) -> bool:
        return len(self._groups[0]) == len(self._tiles)

    def _compare_proposed(self) -> None:
        """Compare what features propose, by the lens that is known."""
        for some in _strongest_first(self._proposals):
            starts = [(p.first, p.second, _rigid(p, self._lenses)) for p in some]
            self._add(
                measured(
                    self._tiles, self._lenses, starts, REACH_SHARE, self._workers, self._progress
                )
            )
            if self._complete:  # other pairs that overlap are compared where they now lie
                break

    def _add(self, more: Sequence[Overlap]) -> None:
        """Take more overlaps: the lens is told anew, and by it the groups."""
        self._found += more
        self._lenses = _better_lenses(self._tiles, self._lenses, self._found)
        self._overlaps = self._ranked()
        self._groups = assemble(self._overlaps, self._lenses)

    def _ranked(self) -> list[Overlap]:
        """One overlap for each pair, after all its places have been seen."""
        judged = [self._judged(o) for o in self._found]
        best = best_of_pairs(judged, self._bare)
        new = [o for o in best if o.decided and (o.first, o.second) not in self._doubted]
        self._doubted.update((o.first, o.second) for o in new)
        more, narrow = elsewhere(self._tiles, self._lenses, new, self._workers, self._progress)
        self._found += more
        self._bare += narrow
        judged += [self._judged(o) for o in more]
        return best_of_pairs(judged, self._bare) if more or narrow else best

    def _judged(self, one: Overlap) -> Overlap:
        return one.judged(self._lenses[one.first], self._lenses[one.second])


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
    return laid_upon(here, there, math.atan2(matrix[1, 0], matrix[0, 0]))
