"""From photos of one chip to where each lies, and how far lengths across them can be trusted."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import reverse_cuthill_mckee

from glassay.errors import NotMeasurable, Unusable
from glassay.imaging import read_photo
from glassay.imaging.tone import Tone
from glassay.mosaic.assemble import Poses, assemble
from glassay.mosaic.lens import Lens, Points, applied, composed, inverse
from glassay.mosaic.light import Light, even_light
from glassay.mosaic.neighbours import Proposal, propose
from glassay.mosaic.overlap import Overlap, Picture, measure_overlap, whole_shifts
from glassay.mosaic.result import Camera, MosaicResult, Where
from glassay.mosaic.schedule import Workers
from glassay.mosaic.solve import Solution, lens_from_pairs, solve
from glassay.mosaic.tile import Tile, Unread, grey_bytes, read_tile
from glassay.quantity import Quantity

Progress = Callable[[str, int, int], None]

BATCH = 24
"""Overlaps measured by one task: neighbours, so that a photo is read once or twice in all."""
ALIKE = 4.0
SECOND_CHANCES = 12
"""Tiles of other groups with which a tile that joined nothing is correlated as a whole."""
LEAST_SHARED = 0.04
"""Share of a tile that a neighbour must cover for the two to be compared after placing."""


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
        raise NotMeasurable("no two of these photos show the same place")
    lenses = _first_lenses(tiles, proposals)
    starts = [(p.first, p.second, _rigid(p, lenses)) for p in proposals]
    overlaps = _best_of_pairs(_measured(tiles, lenses, starts, True, workers, progress))
    groups = assemble(overlaps, lenses)
    if len(groups[0]) < len(tiles):
        more = _second_chance(tiles, lenses, groups, overlaps, workers, progress)
        overlaps = _best_of_pairs([*overlaps, *more])
        groups = assemble(overlaps, lenses)
    if len(groups[0]) < 2:
        raise NotMeasurable(_why_none(overlaps))
    poses, solution, overlaps = _settled(tiles, lenses, overlaps, groups[0], workers, progress)
    return _result(paths, tiles, usable, where, groups, poses, solution, overlaps, pixel_size, read)


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


def _first_lenses(tiles: Sequence[Tile], proposals: Sequence[Proposal]) -> list[Lens]:
    strong = sorted(proposals, key=lambda p: -p.votes)[:400]
    shape = tiles[strong[0].first].shape
    pairs = [(p.here, p.there) for p in strong if p.votes >= 12
             and tiles[p.first].shape == shape == tiles[p.second].shape]  # fmt: skip
    lens = lens_from_pairs(pairs, shape) if len(pairs) >= 3 else Lens(shape)
    return [Lens(t.shape, lens.k1, lens.k2) for t in tiles]


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


def _measured(
    tiles: Sequence[Tile], lenses: Sequence[Lens], starts: Sequence[tuple[int, int, Points]],
    search: bool, workers: Workers, progress: Progress,
) -> list[Overlap]:  # fmt: skip
    """Overlaps of pairs, in batches of neighbours."""
    ordered = _near_together(starts, len(tiles))
    tasks = [(*task, search) for task in _batches(ordered, tiles, lenses)]
    out: list[Overlap] = []
    for found in workers.map(_measure_batch, tasks, lambda n, m: progress("compare", n, m)):
        out += found
    return sorted(out, key=lambda o: (o.first, o.second))


def _second_chance(
    tiles: Sequence[Tile], lenses: Sequence[Lens], groups: Sequence[Poses],
    overlaps: Sequence[Overlap], workers: Workers, progress: Progress,
) -> list[Overlap]:  # fmt: skip
    """Tiles of different groups correlated as wholes, at the turns that their groups have."""
    known = {(o.first, o.second) for o in overlaps if o.decided}
    turn = [0.0] * len(tiles)
    group = [0] * len(tiles)
    for number, poses in enumerate(groups):
        for tile, matrix in poses.items():
            group[tile], turn[tile] = number, math.atan2(matrix[1, 0], matrix[0, 0])
    level = [float(np.mean([turn[t] for t in poses])) for poses in groups]
    wanted = set()
    for tile in (t for poses in groups[1:] for t in sorted(poses)):
        others = [t for t in range(len(tiles)) if group[t] != group[tile]]
        others.sort(key=lambda t: (-_likeness(tiles[tile], tiles[t]), t))
        wanted |= {(min(t, tile), max(t, tile)) for t in others[:SECOND_CHANCES]}
    pairs = []
    for a, b in sorted(wanted - known):
        # the groups' frames are alike turned where their tiles are on average
        turned = (turn[a] - level[group[a]]) - (turn[b] - level[group[b]])
        pairs.append((a, b, turned))
    tasks = list(_batches(pairs, tiles, lenses))
    out: list[Overlap] = []
    for found in workers.map(_whole_batch, tasks, lambda n, m: progress("look again", n, m)):
        out += found
    return out


def _batches(
    pairs: Sequence[tuple[int, int, Any]], tiles: Sequence[Tile], lenses: Sequence[Lens]
) -> Iterator[tuple[Sequence[tuple[int, int, Any]], dict[int, Any]]]:
    """Pairs in batches, each with what a worker must know of the tiles in it."""
    for begin in range(0, len(pairs), BATCH):
        batch = pairs[begin : begin + BATCH]
        needed = sorted({n for a, b, _ in batch for n in (a, b)})
        yield (
            batch,
            {
                n: (tiles[n].path, tiles[n].tone, lenses[n], tiles[n].valid, tiles[n].cell)
                for n in needed
            },
        )


def _likeness(one: Tile, two: Tile) -> float:
    """Correlation of what colours two tiles show: neighbours share films and blocks."""
    histograms = []
    for tile in (one, two):
        light = np.log(np.maximum(tile.thumb[tile.valid], 1e-3))
        tint = light[:, [0, 2]] - light[:, [1]]
        red, blue = tint[:, 0], tint[:, 1]
        table, _, _ = np.histogram2d(red, blue, bins=12, range=[[-1.5, 1.5]] * 2)
        histograms.append(table.ravel())
    return float(np.minimum(*[h / max(h.sum(), 1) for h in histograms]).sum())


def _whole_batch(
    batch: Sequence[tuple[int, int, float]], kept: dict[int, tuple[Any, ...]]
) -> list[Overlap]:
    cv2.setNumThreads(1)
    picture = _pictures(kept)
    out = []
    for first, second, turned in batch:
        for matrix in whole_shifts(picture(first), picture(second), turned):
            found = measure_overlap(first, second, picture(first), picture(second), matrix)
            if found is not None:
                out.append(found)
    return out


def _pictures(kept: dict[int, tuple[Any, ...]]) -> Callable[[int], Picture]:
    """Pictures of tiles, the last few kept."""

    @lru_cache(maxsize=12)
    def picture(number: int) -> Picture:
        path, tone, lens, valid, cell = kept[number]
        grey = cv2.GaussianBlur(grey_bytes(read_photo(path, tone)), (0, 0), 0.7)
        return Picture(np.asarray(grey, dtype=np.uint8), lens, valid, cell)

    return picture


def _near_together(
    starts: Sequence[tuple[int, int, Points]], count: int
) -> list[tuple[int, int, Points]]:
    """Pairs ordered so that those of one tile follow each other (Cuthill and McKee 1969)."""
    a, b = (np.array([s[n] for s in starts], dtype=np.int64) for n in (0, 1))
    graph = sparse.coo_matrix(
        (np.ones(2 * len(a)), (np.r_[a, b], np.r_[b, a])), shape=(count, count)
    )
    rank = np.empty(count, dtype=np.int64)
    rank[reverse_cuthill_mckee(graph.tocsr(), symmetric_mode=True)] = np.arange(count)
    order = np.lexsort((np.minimum(rank[a], rank[b]), np.maximum(rank[a], rank[b])))
    return [starts[n] for n in order]


def _measure_batch(
    batch: Sequence[tuple[int, int, Points]], kept: dict[int, tuple[Any, ...]], search: bool
) -> list[Overlap]:
    cv2.setNumThreads(1)
    picture = _pictures(kept)
    out = []
    for first, second, matrix in batch:
        found = measure_overlap(
            first, second, picture(first), picture(second), matrix, search=search
        )
        if found is not None:
            out.append(found)
    return out


def _best_of_pairs(overlaps: Sequence[Overlap]) -> list[Overlap]:
    """One overlap for each pair of tiles; other places where both agree as well are its rivals."""
    table: dict[tuple[int, int], list[Overlap]] = {}
    for one in overlaps:
        if one.holds:
            table.setdefault((one.first, one.second), []).append(one)
    out = []
    for pair in sorted(table):
        ranked = sorted(
            table[pair], key=lambda o: (len(o.rivals) > 0, -o.correlation * o.share, -len(o.here))
        )
        best = ranked[0]
        more = [best.rivals]
        for other in ranked[1:]:
            gap = other.matrix[:, 2] - best.matrix[:, 2]
            # what is left to perfect agreement must be four times less than elsewhere
            best_left = 1.02 - best.correlation * best.share
            alike = 1.02 - other.correlation * other.share < ALIKE * best_left
            if np.hypot(*gap) > 6 and alike:
                more.append(gap[None, :])
        rivals = np.concatenate(more)
        out.append(Overlap(
            best.first, best.second, best.matrix, best.here, best.there, best.information,
            best.correlation, best.share, rivals, best.telling,
        ))  # fmt: skip
    return out


def _settled(
    tiles: Sequence[Tile], lenses: list[Lens], overlaps: list[Overlap], poses: Poses,
    workers: Workers, progress: Progress,
) -> tuple[Poses, Solution, list[Overlap]]:  # fmt: skip
    """Solve, compare every pair that now overlaps, leave out what contradicts, solve again."""
    poses = dict(poses)
    usable = _confirmed(overlaps, poses, lenses)
    solution = solve(usable, poses, lenses)
    for _ in range(2):
        own = [solution.lens(t.shape) for t in tiles]
        poses = {t: solution.matrix(t, own[t]) for t in solution.tiles}
        known = {
            (o.first, o.second)
            for o, used in zip(_within(usable, poses), solution.used, strict=True)
            if used
        }
        starts = []
        for a, b in _overlapping(poses, own):
            if (a, b) not in known:
                starts.append((a, b, composed(inverse(poses[b]), poses[a])))
        fresh = _measured(tiles, own, starts, False, workers, progress) if starts else []
        agree = [o for o in fresh if o.holds and _gap(o, poses, own) < 4.0]
        good = [o for o in _within(usable, poses) if (o.first, o.second) in known]
        usable = sorted([*good, *agree], key=lambda o: (o.first, o.second))
        bad = _contradicted(
            usable, [o for o in fresh if not (o.holds and _gap(o, poses, own) < 4.0)]
        )
        for tile in bad:
            poses.pop(tile)
        poses = _largest_part(usable, poses)
        usable = _within(usable, poses)
        solution = solve(usable, poses, own)
        if not bad and not agree:
            break
    return poses, solution, usable


def _within(overlaps: Sequence[Overlap], poses: Poses) -> list[Overlap]:
    return [o for o in overlaps if o.first in poses and o.second in poses]


def _confirmed(overlaps: Sequence[Overlap], poses: Poses, lenses: Sequence[Lens]) -> list[Overlap]:
    """Overlaps that lie where the tiles were put; others, and those at a rival shift, are measured
    again from where they should be."""
    return [o for o in _within(overlaps, poses) if _gap(o, poses, lenses) < 25 and (
        o.decided or _gap(o, poses, lenses) < 4)]  # fmt: skip


def _gap(one: Overlap, poses: Poses, lenses: Sequence[Lens]) -> float:
    """Distance between where an overlap and the poses put its middle, px."""
    here = lenses[one.first].undistorted(one.here.mean(axis=0)[None, :])
    a = applied(poses[one.first], here)
    b = applied(poses[one.second], applied(one.matrix, here))
    return float(np.hypot(*(a - b)[0]))


def _overlapping(poses: Poses, lenses: Sequence[Lens]) -> Iterator[tuple[int, int]]:
    """Pairs of placed tiles that share at least `LEAST_SHARED` of one."""
    from scipy.spatial import cKDTree

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
        if ((onto > 0) & (onto < size - 1)).all(axis=1).mean() > LEAST_SHARED:
            yield a, b


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


def _why_none(overlaps: Sequence[Overlap]) -> str:
    if any(o.holds for o in overlaps):
        return "the photos fit at several places equally well: what they share only repeats"
    return "no two of these photos show the same place"


@dataclass(frozen=True, eq=False)
class _Frame:
    """The mosaic's own frame: tiles upright on average, its corner at 0, 0."""

    onto: Points
    width: int
    height: int
    ends: dict[str, tuple[tuple[int, Points], tuple[int, Points]]] = field(default_factory=dict)


def _frame(poses: Poses, lenses: Sequence[Lens]) -> _Frame:
    turn = -math.atan2(sum(m[1, 0] for m in poses.values()), sum(m[0, 0] for m in poses.values()))
    c, s = math.cos(turn), math.sin(turn)
    level = np.array([[c, -s, 0.0], [s, c, 0.0]])
    outlines = []
    for tile, matrix in sorted(poses.items()):
        height, width = lenses[tile].shape
        x, y = np.linspace(0, width - 1, 9), np.linspace(0, height - 1, 9)
        border = np.concatenate([
            np.stack([x, 0 * x], 1), np.stack([x, 0 * x + height - 1], 1),
            np.stack([0 * y, y], 1), np.stack([0 * y + width - 1, y], 1),
        ])  # fmt: skip
        seen = applied(composed(level, matrix), lenses[tile].undistorted(border))
        outlines += [(tile, p, q) for p, q in zip(border, seen, strict=True)]
    places = np.array([q for _, _, q in outlines])
    low, high = np.floor(places.min(axis=0)), np.ceil(places.max(axis=0))
    ends = {}
    for axis, name in enumerate(("width", "height")):
        first, last = (outlines[int(f(places[:, axis]))] for f in (np.argmin, np.argmax))
        ends[name] = ((first[0], first[1]), (last[0], last[1]))
    onto = level.copy()
    onto[:, 2] -= low
    return _Frame(onto, int(high[0] - low[0]) + 1, int(high[1] - low[1]) + 1, ends)


def _result(
    paths: Sequence[Path], tiles: Sequence[Tile], usable: Sequence[int], where: dict[int, Where],
    groups: Sequence[Poses], poses: Poses, solution: Solution, overlaps: Sequence[Overlap],
    pixel_size: Quantity | None, read: Sequence[Tile | Unread],
) -> MosaicResult:  # fmt: skip
    lenses = [solution.lens(t.shape) for t in tiles]
    solved = {t: solution.matrix(t, lenses[t]) for t in solution.tiles}
    frame = _frame(solved, lenses)
    final = {t: composed(frame.onto, m) for t, m in solved.items()}
    in_group = {t: n for n, g in enumerate(groups) if len(g) > 1 for t in g}
    touched = {t for o in overlaps for t in (o.first, o.second)}
    for t, number in enumerate(usable):
        if t in final:
            where[number] = Where(paths[number], final[t], None)
            continue
        if in_group.get(t, 0) > 0:
            reason = f"one of {len(groups[in_group[t]])} tiles that nothing joins to the mosaic"
        elif t in in_group or t in touched:
            reason = "where it fits it contradicts its neighbours"
        elif len(tiles[t].places) < 8:
            reason = "shows too little detail to be recognised"
        else:
            reason = "no sure place: it shows nothing that another tile shows, or only what repeats"
        where[number] = Where(paths[number], None, reason)
    order = sorted(final)
    light = even_light(
        [tiles[t] for t in order],
        [final[t] for t in order],
        [lenses[t] for t in order],
        [(order.index(o.first), order.index(o.second)) for o in overlaps],
    )
    lens = lenses[order[0]]
    camera = Camera(
        lens, solution.lens_covariance(), light.corner, solution.scatter_px, light.shading
    )
    lengths = {name: _length(solution, ends, lenses) for name, ends in frame.ends.items()}
    extent = {"width": float(frame.width), "height": float(frame.height)}
    u = {name: (lengths[name][1], lengths[name][2]) for name in extent}
    number_of = dict(enumerate(usable))
    return MosaicResult(
        where=tuple(where[n] for n in range(len(paths))),
        size=(frame.width, frame.height), length_u=u,
        groups=max(1, sum(len(g) > 1 for g in groups)),
        loop_closure=_loop_closure(overlaps, poses, lenses), camera=camera, pixel_size=pixel_size,
        edges=tuple(
            (number_of[o.first], number_of[o.second], o.correlation, o.telling) for o in overlaps
        ),
        drawn=tuple(zip([number_of[t] for t in order], [tiles[t] for t in order],
                        [final[t] for t in order], [lenses[t] for t in order], strict=True)),
        light=light, solution=solution, order=tuple(order),
        digest=_digest(read),
    )  # fmt: skip


def _length(
    solution: Solution, ends: tuple[tuple[int, Points], tuple[int, Points]], lenses: Sequence[Lens]
) -> tuple[float, float, float]:
    (a, p), (b, q) = ends
    return solution.length_u(((a, p, lenses[a]), (b, q, lenses[b])))


def _loop_closure(overlaps: Sequence[Overlap], poses: Poses, lenses: Sequence[Lens]) -> float:
    """Rms misclosure, px, of the shortest loops: triangles of overlaps, else 0."""
    table: dict[tuple[int, int], Points] = {}
    around: dict[int, set[int]] = {}
    for o in overlaps:
        table[o.first, o.second], table[o.second, o.first] = o.matrix, inverse(o.matrix)
        around.setdefault(o.first, set()).add(o.second)
        around.setdefault(o.second, set()).add(o.first)
    gaps = []
    for o in overlaps:
        for third in sorted(around[o.first] & around[o.second]):
            if third > o.second:
                loop = composed(table[third, o.first], composed(table[o.second, third], o.matrix))
                middle = lenses[o.first].middle[None, :]
                gaps.append(float(np.hypot(*(applied(loop, middle) - middle)[0])))
    return math.sqrt(float(np.mean(np.square(gaps)))) if gaps else 0.0


def _digest(read: Sequence[Tile | Unread]) -> str:
    parts = [r.digest if isinstance(r, Tile) else "unread" for r in read]
    return hashlib.sha256(" ".join(parts).encode()).hexdigest()


__all__ = ["Light", "place_tiles"]
