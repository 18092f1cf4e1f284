"""Other ways to lay the same photos together, where a chip repeats farther apart than a photo shows.

A tile that fits in two places, a period apart, leaves open where it belongs; so do all tiles that hang
on it. Each such rival place of a pair is a motion. Whether tiles moved by it would lie as well there is
put to the photos: a moved tile that shows other things than one on which it would then lie takes that
one along. What is not taken along, and holds together with what is moved, is another mosaic of the
same photos, and nothing in them tells which is true.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from glassay.errors import NotMeasurable
from glassay.mosaic.assemble import SAME_PLACE_PX, Poses
from glassay.mosaic.compare import Progress, Start, Verdict, verdicts
from glassay.mosaic.lens import Lens, Points, applied, composed, inverse
from glassay.mosaic.loops import FEWEST_PAIRS, WIDE_REACH
from glassay.mosaic.overlap import Overlap
from glassay.mosaic.schedule import Workers
from glassay.mosaic.settle import FAR_OFF_PX, FEWEST_AGAINST, overlapping, solved_without
from glassay.mosaic.solve import Solution
from glassay.mosaic.tile import Tile
from glassay.mosaic.whole import as_alike

MOST_LEFT_OUT = 1 / 7
"""Share of the tiles that may be left out for that: six photos of a repeating chip are refused, in a
large mosaic a photo at its rim that shows nothing but memory is named."""
MOST_MOTIONS = 4
"""Motions that are tried, those that most pairs name first: a chip repeats in two directions and along
both diagonals."""
JOINS = 0.75
"""Evidence of a pair that counts for another way, between what two photos need to show the same (0.45)
and what places a photo alone (0.9): true pairs of repeating chips of which little is lit reached 0.82,
pairs over memories of simulated dies that do not belong together 0.74."""
SAME_MOTION_PX = 3 * SAME_PLACE_PX
"""Distance of two motions that are taken for one: places are known to some px before all is solved."""

Pair = tuple[int, int]


@dataclass(frozen=True)
class AnotherWay:
    """The fewer of the tiles of a mosaic that could as well lie elsewhere, and how far, px."""

    tiles: frozenset[int]
    distance: float


@dataclass
class _Motion:
    """A motion of the mosaic's px, and the pairs (moved, fixed) that hold by it."""

    matrix: Points
    by: Points
    joins: dict[Pair, Overlap] = field(default_factory=dict)


def _another_way(
    tiles: Sequence[Tile], lenses: Sequence[Lens], poses: Poses, measured: Sequence[Overlap],
    told: _Told, workers: Workers, progress: Progress,
) -> AnotherWay | None:  # fmt: skip
    """The fewest tiles of `poses` that the photos would let lie elsewhere as well; None where all are
    decided. `measured`: every overlap of two tiles that was measured, at every place."""
    best = _best(measured)
    fits = _fits(measured, best)
    laid = _with_the_others(fits, poses)
    kept, motions = _motions(fits, laid, lenses)
    fewest: AnotherWay | None = None
    for motion in motions[:MOST_MOTIONS]:
        asked = _Asked(tiles, lenses, laid, motion, best, told, workers, progress)
        for first, second in sorted(motion.joins):
            for seed in _seeds(first, second, kept, laid, poses):
                moved = asked.taken_along(seed, second)
                if moved is None or not _holds_together(moved, asked, kept, poses):
                    continue
                sides = (poses.keys() & moved, poses.keys() - moved)
                less = min(sides, key=lambda side: (len(side), min(side)))
                if fewest is None or len(less) < len(fewest.tiles):
                    fewest = AnotherWay(frozenset(less), math.hypot(*motion.by))
                    if len(less) == 1:
                        return fewest
    return fewest


def only_decided(
    tiles: Sequence[Tile], poses: Poses, solution: Solution, overlaps: list[Overlap],
    measured: Sequence[Overlap], workers: Workers, progress: Progress,
) -> tuple[Poses, Solution, list[Overlap], dict[int, float]]:  # fmt: skip
    """The mosaic without tiles that could as well lie elsewhere, solved again; and how far these would
    lie from where they agree best. `NotMeasurable` where that is more than `MOST_LEFT_OUT` of it."""
    left_out: dict[int, float] = {}
    told = _Told()
    most = math.floor(MOST_LEFT_OUT * len(poses))
    while True:
        lenses = [solution.lens(t.shape) for t in tiles]
        judged = [o.judged(lenses[o.first], lenses[o.second]) for o in measured]
        way = _another_way(tiles, lenses, poses, judged, told, workers, progress)
        if way is None:
            return poses, solution, overlaps, left_out
        left_out |= dict.fromkeys(way.tiles, way.distance)
        if len(left_out) > most:
            raise NotMeasurable(
                f"the photos fit in more than one way: what they show repeats, and {len(way.tiles)} of"
                f" {len(poses)} fit as well {way.distance:.0f} px from where they agree best"
            )
        poses, solution, overlaps = solved_without(left_out, poses, solution, overlaps, lenses)


def _strength(one: Overlap) -> float:
    return one.evidence * math.sqrt(len(one.here))


@dataclass(frozen=True)
class _Best:
    """How well a pair agrees, and over how much, at the best place at which it was measured."""

    evidence: float = 0.0
    strength: float = 0.0


def _best(measured: Sequence[Overlap]) -> dict[Pair, _Best]:
    best: dict[Pair, _Best] = {}
    for one in measured:
        if one.decided:
            pair = min(one.first, one.second), max(one.first, one.second)
            own = _Best(one.evidence, _strength(one))
            best[pair] = max(best.get(pair, own), own, key=lambda b: b.evidence)
    return best


def _fits(measured: Sequence[Overlap], best: dict[Pair, _Best]) -> list[Overlap]:
    """All places at which pairs hold, of which no other shift close by is as good, and that are not
    surely worse than the pair's best."""
    return [o for o in measured if o.decided and _is_fit(o, best)]


def _is_fit(one: Overlap, best: dict[Pair, _Best]) -> bool:
    """Whether a pair agrees nearly as well as at its best place, or well over more of it: a few blocks
    of a narrow strip agree perfectly more easily than many, of which dust may lie on one."""
    pair = min(one.first, one.second), max(one.first, one.second)
    most = best.get(pair, _Best())
    wider = one.evidence >= JOINS and _strength(one) >= most.strength
    return wider or as_alike(most.evidence, one.evidence)


def _with_the_others(fits: Sequence[Overlap], poses: Poses) -> Poses:
    """The poses, and tiles that are not placed at one of the places at which they fit: they may hold
    together what lies otherwise."""
    laid = dict(poses)
    while True:
        edges = [o for o in fits if (o.first in laid) != (o.second in laid)]
        if not edges:
            return laid
        edge = max(edges, key=lambda o: (o.places, _strength(o)))
        if edge.first in laid:
            laid[edge.second] = composed(laid[edge.first], inverse(edge.matrix))
        else:
            laid[edge.first] = composed(laid[edge.second], edge.matrix)


def _motions(
    fits: Sequence[Overlap], laid: Poses, lenses: Sequence[Lens]
) -> tuple[set[Pair], list[_Motion]]:
    """Pairs that lie as they fit, and the motions by which others would, most pairs first. What lies
    nearer was tried when groups were joined (`glassay.mosaic.loops`)."""
    kept: set[Pair] = set()
    motions: list[_Motion] = []
    for one in fits:
        if one.first not in laid or one.second not in laid:
            continue
        here = lenses[one.first].undistorted(one.here.mean(axis=0)[None, :])
        onto = composed(composed(laid[one.second], one.matrix), inverse(laid[one.first]))
        at = applied(laid[one.first], here)
        by = (applied(onto, at) - at)[0]
        if np.hypot(*by) < FAR_OFF_PX:
            kept.add((one.first, one.second))
            continue
        pair = one.first, one.second
        if (by[0], by[1]) < (0, 0):
            pair, onto, by = pair[::-1], inverse(onto), -by
        same = next((m for m in motions if np.hypot(*(m.by - by)) < SAME_MOTION_PX), None)
        if same is None:
            same = _Motion(onto, by)
            motions.append(same)
        same.joins.setdefault(pair, one)
    near = 2 * WIDE_REACH * max(lens.half_diagonal for lens in lenses)
    likely = [m for m in motions if np.hypot(*m.by) > near]
    return kept, sorted(likely, key=lambda m: (-len(m.joins), tuple(m.by)))


def _seeds(
    first: int, second: int, kept: set[Pair], laid: Poses, poses: Poses
) -> list[frozenset[int]]:
    """What may be moved with the first of a pair whose second stays: nothing, all that hangs on it
    rather than on the other, or one of the tiles beside it."""
    near, far = (_steps(kept, tile) for tile in (first, second))
    side = {t for t in laid if near.get(t, len(laid)) < far.get(t, len(laid))}
    others = [{first, t} for t in sorted(poses) if near.get(t) == 1 and t != second]
    return list(dict.fromkeys(frozenset(s) for s in ({first}, side | {first}, *others)))


def _steps(edges: set[Pair], start: int) -> dict[int, int]:
    """How many pairs away every tile is."""
    around: dict[int, list[int]] = defaultdict(list)
    for a, b in edges:
        around[a].append(b)
        around[b].append(a)
    away, front = {start: 0}, [start]
    while front:
        front = [
            b for a in front for b in around[a] if b not in away and away.setdefault(b, away[a] + 1)
        ]
    return away


def _holds_together(moved: set[int], asked: _Asked, kept: set[Pair], poses: Poses) -> bool:
    """Whether only some of the placed tiles are moved, these hold with the rest, and all still hang
    together."""
    if not 0 < len(moved & poses.keys()) < len(poses):
        return False
    across = {
        p: o for p, o in asked.joins.items()
        if p[0] in moved and p[1] not in moved and o.decided and o.evidence >= JOINS
    }  # fmt: skip
    if len(across) < FEWEST_PAIRS and not any(o.places for o in across.values()):
        return False
    edges = {(a, b) for a, b in kept if (a in moved) == (b in moved)} | across.keys()
    reached = _steps(edges, min(poses))
    return all(tile in reached for tile in poses)


class _Told:
    """What was told of pairs at places that were thought of, for the next time that they are."""

    def __init__(self) -> None:
        self._of: dict[Pair, list[tuple[Points, Verdict]]] = defaultdict(list)

    def add(self, start: Start, verdict: Verdict) -> None:
        """Keep what is told of a pair."""
        self._of[start[:2]].append((start[2][:, 2], verdict))

    def find(self, start: Start) -> Verdict | None:
        """What was told of the pair about there."""
        for place, verdict in self._of[start[:2]]:
            if np.hypot(*(place - start[2][:, 2])) < SAME_PLACE_PX:
                return verdict
        return None


class _Asked:
    """What the photos say of tiles moved by one motion, each pair compared once."""

    def __init__(
        self, tiles: Sequence[Tile], lenses: Sequence[Lens], laid: Poses, motion: _Motion,
        best: dict[Pair, _Best], told: _Told, workers: Workers, progress: Progress,
    ) -> None:  # fmt: skip
        self._tiles, self._lenses, self._workers, self._progress = tiles, lenses, workers, progress
        self._laid, self._best, self._told = laid, best, told
        self._moved = {t: composed(motion.matrix, m) for t, m in laid.items()}
        self.joins = dict(motion.joins)
        self._denied: set[Pair] = set()
        self._known: set[int] = set()
        self._onto: dict[int, list[int]] = defaultdict(list)
        count = len(lenses)
        both = laid | {count + t: m for t, m in self._moved.items()}
        for a, b in overlapping(both, [*lenses, *lenses]):
            if a < count <= b and a != b - count:
                self._onto[b - count].append(a)

    def taken_along(self, seed: frozenset[int], stays: int) -> set[int] | None:
        """All tiles that must be moved with those of `seed`; None where what should stay is one."""
        moved, front = set(seed), set(seed)
        while front:
            self._compare(front)
            front = {b for a in front for b in self._onto[a] if (a, b) in self._denied} - moved
            moved |= front
            if stays in moved:
                return None
        return moved

    def _compare(self, tiles: set[int]) -> None:
        new = tiles - self._known
        self._known |= new
        pairs = [(a, b) for a in sorted(new) for b in self._onto[a] if (a, b) not in self.joins]
        starts: list[Start] = [
            (a, b, composed(inverse(self._laid[b]), self._moved[a])) for a, b in pairs
        ]
        fresh = [one for one in starts if self._told.find(one) is None]
        answers = verdicts(self._tiles, self._lenses, fresh, self._workers, self._progress)
        for one, answer in zip(fresh, answers, strict=True):
            self._told.add(one, answer)
        for pair, start in zip(pairs, starts, strict=True):
            overlap, denies = self._told.find(start) or (None, False)
            fits = overlap is not None and overlap.holds and _is_fit(overlap, self._best)
            if overlap is not None and fits and overlap.evidence >= JOINS:
                self.joins[pair] = overlap
            elif denies or (overlap is not None and len(overlap.every.here) >= FEWEST_AGAINST):
                self._denied.add(pair)
