"""Tiles that were taken at another zoom than the rest.

Tiles are placed by a shift and a turn, since all of one setting share the size of a px. The blocks of
two tiles tell whether they do; and held against where all its neighbours put the same points, in a
solved mosaic, a tile may fit better with a scale of its own.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from glassay.mosaic.lens import Lens, Points, applied
from glassay.mosaic.overlap import Overlap
from glassay.mosaic.solve import Solution

ANOTHER_ZOOM = 0.0025
"""Difference of scale from which a tile counts as taken at another zoom. Focus that is turned and a
stage that is not level change it by 0.15 % from tile to tile."""
SURE = 4.0
"""Standard uncertainties by which it must differ."""
FEWEST_POINTS = 12
FEWEST_BLOCKS = 4
"""Blocks from which two tiles tell their zoom: a turn, a shift and a scale, and as much left over."""
SEEN = 0.5
"""Correlation from which a block shows the same in both, wherever it lies."""


def between(one: Overlap, lenses: Sequence[Lens]) -> tuple[float, float]:
    """By how much larger (relative) the second tile of an overlap shows things than the first, told by
    all blocks that both show, and the standard uncertainty: infinite where they are too few."""
    seen = one.every.only(one.every.correlation > SEEN)
    if len(seen.here) < FEWEST_BLOCKS:
        return 0.0, math.inf
    own = applied(one.matrix, lenses[one.first].undistorted(seen.here))
    return _stretch(own, lenses[one.second].undistorted(seen.there), seen.information)


def differ(one: Overlap, lenses: Sequence[Lens]) -> bool:
    """Whether its two tiles were surely taken at different zooms."""
    stretch, u = between(one, lenses)
    return abs(stretch) > max(ANOTHER_ZOOM, SURE * u)


def alike(one: Overlap, lenses: Sequence[Lens]) -> bool:
    """Whether its two tiles are known to be of one zoom: another one would be seen."""
    stretch, u = between(one, lenses)
    return u < ANOTHER_ZOOM and abs(stretch) < max(ANOTHER_ZOOM, SURE * u)


def other_zoom(
    solution: Solution, overlaps: Sequence[Overlap], lenses: Sequence[Lens]
) -> tuple[int, float] | None:
    """The tile whose scale is farthest from its neighbours', and that scale (above 1: it shows things
    larger), where it is another zoom; None where all are one."""
    ends: dict[int, list[tuple[Points, Points, Points]]] = defaultdict(list)
    poses = {t: solution.matrix(t, lenses[t]) for t in solution.tiles}
    for one, used in zip(overlaps, solution.used, strict=True):
        if not used:
            continue
        places = [
            applied(poses[t], lenses[t].undistorted(points))
            for t, points in ((one.first, one.here), (one.second, one.there))
        ]
        ends[one.first].append((places[0], places[1], one.information))
        ends[one.second].append((places[1], places[0], one.information))
    worst: tuple[int, float] | None = None
    for tile in sorted(ends):
        own, others, information = (
            np.concatenate(parts) for parts in zip(*ends[tile], strict=True)
        )
        if len(own) < FEWEST_POINTS:
            continue
        stretch, u = _stretch(own, others, information)
        if abs(stretch) > max(ANOTHER_ZOOM, SURE * u) and (
            worst is None or abs(stretch) > abs(worst[1])
        ):
            worst = tile, stretch
    return None if worst is None else (worst[0], math.exp(-worst[1]))


def _stretch(own: Points, others: Points, information: Points) -> tuple[float, float]:
    """Relative change of scale that takes a tile's points to its neighbours', beside a turn and shift,
    and its standard uncertainty (Cauchy weights)."""
    x, y = (own - own.mean(axis=0)).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    design = np.stack(
        [np.stack([one, zero, -y, x], axis=1), np.stack([zero, one, x, y], axis=1)], axis=1
    )
    # directions in which points are known; how well, the scatter tells
    known = information / np.maximum(np.linalg.eigvalsh(information)[:, 1], 1e-12)[:, None, None]
    turned = design.transpose(0, 2, 1) @ known
    squares, rights = turned @ design, (turned @ (others - own)[..., None])[..., 0]
    weights = np.ones(len(own))
    change, normal, spread = np.zeros(4), np.eye(4), 0.0
    for _ in range(6):
        normal = np.tensordot(weights, squares, axes=1) + 1e-9 * np.eye(4)
        change = np.linalg.solve(normal, weights @ rights)
        rests = others - own - design @ change
        distance = np.einsum("ni,nij,nj->n", rests, known, rests)
        spread = max(float(np.median(distance)) / 0.455, 1e-4)  # median of chi square of one
        weights = 1 / (1 + distance / spread / 9)
    # four numbers were fitted to two of each point
    spread *= 2 * len(own) / (2 * len(own) - 4)
    return float(change[3]), math.sqrt(spread * float(np.linalg.inv(normal)[3, 3]))
