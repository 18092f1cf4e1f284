"""What the placed tiles come to: the mosaic's frame, its lengths, and why a tile has no place."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np

from glassay.mosaic.assemble import Poses
from glassay.mosaic.left_out import MOST_ASKED, why_left_out
from glassay.mosaic.lens import Lens, Points, applied, composed, inverse
from glassay.mosaic.light import even_light
from glassay.mosaic.overlap import Overlap
from glassay.mosaic.result import Camera, MosaicResult, Where
from glassay.mosaic.solve import Solution
from glassay.mosaic.tile import Tile, Unread
from glassay.quantity import Quantity


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


def outcome(
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
    asked = 0
    for t, number in enumerate(usable):
        if t in final:
            where[number] = Where(paths[number], final[t], None)
            continue
        if number in where:  # why was known before
            continue
        if in_group.get(t, 0) > 0:
            reason = f"one of {len(groups[in_group[t]])} tiles that nothing joins to the mosaic"
        elif t in in_group or t in touched:
            reason = "where it fits it contradicts its neighbours"
        elif len(tiles[t].places) < 8:
            reason = "shows too little detail to be recognised"
        else:
            reason = "no sure place: it shows nothing that another tile shows, or only what repeats"
        if asked < MOST_ASKED:
            asked += 1
            reason = why_left_out(t, tiles, sorted(final), lenses) or reason
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
        loop_closure=loop_closure(overlaps, lenses), camera=camera, pixel_size=pixel_size,
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


def loop_closure(overlaps: Sequence[Overlap], lenses: Sequence[Lens]) -> float | None:
    """Rms misclosure, px, of the shortest loops of overlaps: triangles, or where there are none,
    quadrilaterals (tiles on a grid, whose diagonal neighbours share no more than a corner); None
    without any."""
    table: dict[tuple[int, int], Points] = {}
    around: dict[int, set[int]] = {}
    for o in overlaps:
        table[o.first, o.second], table[o.second, o.first] = o.matrix, inverse(o.matrix)
        around.setdefault(o.first, set()).add(o.second)
        around.setdefault(o.second, set()).add(o.first)

    def gap(*loop: int) -> float:
        middle = lenses[loop[0]].middle[None, :]
        there = middle
        for here, onward in pairwise((*loop, loop[0])):
            there = applied(table[here, onward], there)
        return float(np.hypot(*(there - middle)[0]))

    gaps = [
        gap(o.first, o.second, third)
        for o in overlaps
        for third in sorted(around[o.first] & around[o.second])
        if third > max(o.first, o.second)
    ]
    if not gaps:
        gaps = [
            gap(first, second, across, fourth)
            for first in sorted(around)
            for second, fourth in combinations(sorted(around[first]), 2)
            for across in sorted(around[second] & around[fourth])
            if first < min(second, across, fourth)
        ]
    return math.sqrt(float(np.mean(np.square(gaps)))) if gaps else None


def _digest(read: Sequence[Tile | Unread]) -> str:
    parts = [r.digest if isinstance(r, Tile) else "unread" for r in read]
    return hashlib.sha256(" ".join(parts).encode()).hexdigest()
