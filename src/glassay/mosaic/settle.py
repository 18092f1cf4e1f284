"""All tiles solved together, held against every neighbour they then have, and solved again."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence

import numpy as np
from scipy import sparse
from scipy.spatial import cKDTree

from glassay.errors import NotMeasurable
from glassay.mosaic.assemble import Poses
from glassay.mosaic.compare import Progress, measured
from glassay.mosaic.lens import Lens, applied, composed, inverse
from glassay.mosaic.overlap import LEAST_EVIDENCE, Overlap
from glassay.mosaic.schedule import Workers
from glassay.mosaic.solve import Solution, solve
from glassay.mosaic.tile import Tile
from glassay.mosaic.zoom import alike, between, differ, other_zoom

LEAST_SHARED = 0.04
"""Share of a tile that a neighbour must cover for the two to be compared after placing."""
MOST_AGAINST = 0.25
"""Pairs that show different things where the tiles were put, against those that show the same, from
which nothing is believed: 0.47 where twelve photos of a small simulated die were put together by its
bond pads, which are all alike, turned by a quarter and by half."""
FEWEST_AGAINST = 8
"""Blocks with structure from which a pair can speak against its place."""


FAR_OFF_PX = 25.0
"""Distance from where the tiles were put, at which an overlap is not theirs."""
MOST_DENIED = 0.05
"""Overlaps denied, against those that hold, from which nothing is believed: one is too many for a few
photos; among hundreds, one may be two cells that are alike."""


def settled(
    tiles: Sequence[Tile], lenses: list[Lens], overlaps: list[Overlap], poses: Poses,
    workers: Workers, progress: Progress,
) -> tuple[Poses, Solution, list[Overlap], dict[int, float]]:  # fmt: skip
    """Solve, compare every pair that now overlaps, leave out what contradicts, solve again. The last
    that is returned: tiles left out since they were taken at another zoom, and their scale."""
    poses = dict(poses)
    zooms: dict[int, float] = {}
    usable = _confirmed(overlaps, poses, lenses)
    poses, usable = _of_one_zoom(usable, poses, lenses, zooms)
    own, solution = list(lenses), solve(usable, poses, lenses)
    fresh: list[Overlap] = []
    for _ in range(2):
        own = [solution.lens(t.shape) for t in tiles]
        poses = {t: solution.matrix(t, own[t]) for t in solution.tiles}
        known = {
            (o.first, o.second)
            for o, used in zip(_within(usable, poses), solution.used, strict=True)
            if used
        }
        starts = []
        for a, b in overlapping(poses, own):
            if (a, b) not in known:
                starts.append((a, b, composed(inverse(poses[b]), poses[a])))
        fresh = measured(tiles, own, starts, 0.0, workers, progress) if starts else []
        fresh = [o.judged(own[o.first], own[o.second]) for o in fresh]
        agree = [o for o in fresh if o.holds and _gap(o, poses, own) < 4.0]
        good = [o for o in _within(usable, poses) if (o.first, o.second) in known]
        usable = sorted([*good, *agree], key=lambda o: (o.first, o.second))
        bad = _contradicted(
            usable, [o for o in fresh if not (o.holds and _gap(o, poses, own) < 4.0)]
        )
        for tile in bad:
            poses.pop(tile)
        poses, usable = _of_one_zoom(usable, poses, own, zooms)
        solution = solve(usable, poses, own)
        if not bad and not agree:
            break
    check_agreement(usable, fresh, poses, own)
    check_places(usable, overlaps, poses, own)
    while (found := other_zoom(solution, usable, own)) is not None and len(poses) > 2:
        zooms[found[0]] = found[1]
        poses, solution, usable = solved_without([found[0]], poses, solution, usable, own)
    return poses, solution, usable, zooms


def solved_without(
    some: Collection[int], poses: Poses, solution: Solution, overlaps: list[Overlap],
    lenses: Sequence[Lens],
) -> tuple[Poses, Solution, list[Overlap]]:  # fmt: skip
    """The largest part that holds together without some tiles, solved again."""
    poses = {t: solution.matrix(t, lenses[t]) for t in solution.tiles if t not in some}
    poses = _largest_part(_within(overlaps, poses), poses)
    kept = _within(overlaps, poses)
    return poses, solve(kept, poses, lenses), kept


def _of_one_zoom(
    overlaps: Sequence[Overlap], poses: Poses, lenses: Sequence[Lens], zooms: dict[int, float]
) -> tuple[Poses, list[Overlap]]:
    """The largest part of the tiles that holds together by overlaps whose two tiles are known to be of
    one zoom, and the overlaps within it but those of which they surely are not. What is found of other
    tiles' scales is put into `zooms`."""
    within = _within(overlaps, poses)
    odd = [o for o in within if differ(o, lenses)]
    sure = [o for o in within if alike(o, lenses)]
    if odd and not sure:
        raise NotMeasurable("the photos that show the same place were taken at different zooms")
    kept = _largest_part(sure, poses)
    for one in odd:
        larger, _ = between(one, lenses)
        if one.first in kept and one.second not in kept:
            zooms[one.second] = math.exp(larger)
        if one.second in kept and one.first not in kept:
            zooms[one.first] = math.exp(-larger)
    return kept, [o for o in _within(within, kept) if o not in odd]


def _within(overlaps: Sequence[Overlap], poses: Poses) -> list[Overlap]:
    return [o for o in overlaps if o.first in poses and o.second in poses]


def _confirmed(overlaps: Sequence[Overlap], poses: Poses, lenses: Sequence[Lens]) -> list[Overlap]:
    """Overlaps that lie where the tiles were put; others, and those at a rival shift, are measured
    again from where they should be."""
    return [o for o in _within(overlaps, poses) if _gap(o, poses, lenses) < FAR_OFF_PX and (
        o.decided or _gap(o, poses, lenses) < 4)]  # fmt: skip


def _gap(one: Overlap, poses: Poses, lenses: Sequence[Lens]) -> float:
    """Distance between where an overlap and the poses put its middle, px."""
    here = lenses[one.first].undistorted(one.here.mean(axis=0)[None, :])
    a = applied(poses[one.first], here)
    b = applied(poses[one.second], applied(one.matrix, here))
    return float(np.hypot(*(a - b)[0]))


def overlapping(
    poses: Poses, lenses: Sequence[Lens], least: float = LEAST_SHARED
) -> Iterator[tuple[int, int]]:
    """Pairs of placed tiles that share more than `least` of one."""
    order = sorted(poses)
    middles = np.array([applied(poses[t], lenses[t].middle[None, :])[0] for t in order])
    reach = 2 * max(lens.half_diagonal for lens in lenses)
    for i, j in sorted(cKDTree(middles).query_pairs(reach)):
        a, b = order[min(i, j)], order[max(i, j)]
        height, width = lenses[a].shape
        grid = np.stack(
            np.meshgrid(np.linspace(0, width - 1, 12), np.linspace(0, height - 1, 12)), -1
        )
        onto = applied(composed(inverse(poses[b]), poses[a]), grid.reshape(-1, 2))
        size = np.array(lenses[b].shape[::-1])
        if ((onto > 0) & (onto < size - 1)).all(axis=1).mean() > least:
            yield a, b


def check_agreement(
    good: Sequence[Overlap], fresh: Sequence[Overlap], poses: Poses, lenses: Sequence[Lens]
) -> None:
    """Refuse a whole that contradicts itself: things that repeat, turned too, put tiles in places where
    some pairs agree perfectly and others not at all."""
    against = [
        o for o in _within(fresh, poses)
        if not (o.holds and _gap(o, poses, lenses) < 4.0)
        and len(o.every.here) >= FEWEST_AGAINST and o.correlation * o.share < LEAST_EVIDENCE
    ]  # fmt: skip
    if len(against) > MOST_AGAINST * len(good):
        raise NotMeasurable(
            f"the photos fit in more than one way: where {len(poses)} of them agree best,"
            f" {len(good)} pairs show the same and {len(against)} show different things"
        )


def check_places(
    good: Sequence[Overlap], overlaps: Sequence[Overlap], poses: Poses, lenses: Sequence[Lens]
) -> None:
    """Refuse a whole in which overlaps that would place a tile by themselves do not lie where the tiles
    were put: what repeats farther apart than a photo is wide fits perfectly in wrong places."""
    denied = [
        o for o in _within(overlaps, poses) if o.places and _gap(o, poses, lenses) > FAR_OFF_PX
    ]
    if len(denied) > MOST_DENIED * len(good):
        raise NotMeasurable(
            f"the photos fit in more than one way: {len(good)} pairs lie as {len(poses)} of them are"
            f" placed, {len(denied)} fit as well in other places"
        )


def _contradicted(good: Sequence[Overlap], bad: Sequence[Overlap]) -> list[int]:
    """Tiles that more neighbours contradict than confirm. What is too plain to compare says nothing."""
    score: dict[int, list[int]] = {}
    for one in good:
        for tile in (one.first, one.second):
            score.setdefault(tile, [0, 0])[0] += 1
    for one in bad:
        if len(one.here) < 8 or one.correlation > 0.3:
            continue
        for tile in (one.first, one.second):
            score.setdefault(tile, [0, 0])[1] += 1
    return [tile for tile, (yes, no) in sorted(score.items()) if no > yes]


def _largest_part(overlaps: Sequence[Overlap], poses: Poses) -> Poses:
    order = sorted(poses)
    index = {tile: n for n, tile in enumerate(order)}
    pairs = [(index[o.first], index[o.second]) for o in _within(overlaps, poses)]
    if not pairs:
        raise NotMeasurable("the photos contradict each other: no place holds for two of them")
    a, b = np.array(pairs).T
    graph = sparse.coo_matrix((np.ones(len(a)), (a, b)), shape=(len(order), len(order)))
    _, labels = sparse.csgraph.connected_components(graph, directed=False)
    largest = int(np.bincount(labels).argmax())
    return {
        tile: poses[tile] for tile, label in zip(order, labels, strict=True) if label == largest
    }
