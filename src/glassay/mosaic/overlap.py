"""Two tiles laid over each other: where they agree, how well, and where else they would."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from glassay.mosaic.blocks import (
    AGREES_PX,
    LOOSE_PX,
    Blocks,
    Box,
    Pair,
    Picture,
    measure_blocks,
)
from glassay.mosaic.lens import Lens, Points
from glassay.mosaic.shifts import NO_RIVAL, REACH_SHARE, denied, search

FEWEST_BLOCKS = 5
CORRELATES = 0.45
"""Mean correlation of aligned blocks of a true overlap: 0.6 and more where one tile is soft, 0.9 and
more where both are sharp; chance reaches 0.3 over blocks that one shift must fit."""
AGREEING_SHARE = 0.75
"""Blocks with structure that must agree: all of a true overlap but what dust, stray light or a bond
wire changes (0.89 and more in simulated dies). The corners of two memories of one kind agree in
the cells, and in nothing beside them."""
LEAST_EVIDENCE = 0.45
"""Correlation times the share of blocks that agree. Corners and rows of pads of different places of a
simulated die reached 0.63 x 0.58 at their best; true overlaps 0.97 x 0.9 where both tiles are sharp."""
ALONE = ((6, 24), (10, 8))
"""Blocks that must agree, and blocks that must speak against the best rival, for an overlap that no
other confirms: a false one of 7 blocks, with 12 against its rival, correlated by 1.00 over wires that
repeat (a simulated die)."""
EVIDENCE_ALONE = 0.9
"""Correlation times share of such an overlap: 0.97 and more where both are sharp; rows of memories
and pads that lie alike in two photos reached 0.84."""
CLOSE_REACH = 0.02
"""How far around a place at which two whole tiles agree the overlap is sought, in tile diagonals: some
px of the pictures in which it was found."""
AGAIN_PX = 6.0
"""Distance from which two places of one pair are two."""
PINNED_PX = 0.05
"""Standard uncertainty to which all blocks together must tell the weaker direction."""


@dataclass(frozen=True, eq=False)
class Overlap:
    """How two tiles lie to each other.

    `matrix`: 2 x 3, undistorted px of the first to those of the second. `here`, `there` (n, 2): the
    same points of the object in px of either photo; `information` (n, 2, 2): inverse covariance of
    `there`, 1/px^2. `correlation`: mean of the aligned blocks, `share` of the blocks that agree.
    `rivals` (m, 2): other shifts, px of the second, that the blocks do not rule out. `telling`: how
    many blocks speak against the best rival (`NO_RIVAL` where there is none). `repeats`: whether what
    they share fits itself at another shift. `every`: all blocks, those that do not agree too.
    """

    first: int
    second: int
    matrix: Points
    here: Points
    there: Points
    information: Points
    correlation: float
    share: float
    rivals: Points
    telling: int
    every: Blocks
    repeats: bool = False

    def judged(self, one: Lens, two: Lens) -> Overlap:
        """The same with lenses that are known: blocks must agree more closely."""
        matrix, agrees = self.every.agreeing(self.matrix, one, two, AGREES_PX, FEWEST_BLOCKS)
        kept = self.every.only(agrees)
        return replace(self, matrix=matrix, here=kept.here, there=kept.there,
                       information=kept.information, share=float(agrees.mean()))  # fmt: skip

    @property
    def evidence(self) -> float:
        """Correlation times the share of blocks that agree, 0..1."""
        return self.correlation * self.share

    @property
    def holds(self) -> bool:
        """Whether the tiles really show the same there."""
        return (
            len(self.here) >= FEWEST_BLOCKS
            and self.correlation >= CORRELATES
            and self.share >= AGREEING_SHARE
            and self.evidence >= LEAST_EVIDENCE
        )

    @property
    def decided(self) -> bool:
        """Whether no other shift fits about as well."""
        return self.holds and not len(self.rivals) and self.pinned

    @property
    def places(self) -> bool:
        """Whether it may place a tile by itself: cells and wires repeat, so that a few blocks fit in
        several places of a die."""
        if not self.decided or self.repeats or self.evidence < EVIDENCE_ALONE:
            return False
        return any(
            len(self.here) >= blocks and self.telling >= against for blocks, against in ALONE
        )

    @property
    def pinned(self) -> bool:
        """Whether the blocks tell both directions: lines that all run one way tell only one."""
        known = np.linalg.eigvalsh(self.information.sum(axis=0))
        return bool(known[0] > 1 / PINNED_PX**2)


def measure_overlap(
    first: int,
    second: int,
    one: Picture,
    two: Picture,
    matrix: Points,
    *,
    reach: float = REACH_SHARE,
) -> Overlap | None:
    """Measure two tiles that lie about as `matrix` says; None when they share too little. With
    `reach` (tile diagonals) other shifts around it are considered too."""
    pair = Pair(one, two, matrix)
    box = shared_box(pair)
    if box is None:
        return None
    if not reach:
        return _measured(first, second, pair, box, np.empty((0, 2)), NO_RIVAL, False)
    overlap = None
    for attempt in range(2):
        found = search(one.coarse, two.coarse, pair.matrix, _undistorted(pair, box), reach)
        if found is None:
            return None
        pair = replace(pair, matrix=found.matrix)
        box = shared_box(pair)
        if box is None:
            return None
        overlap = _measured(first, second, pair, box, found.rivals, found.telling, found.repeats)
        if overlap is None or not len(found.rivals) or attempt:
            break
        # a proposal from features may be turned by a tenth of a degree: judge rivals once more
        pair = replace(pair, matrix=overlap.matrix)
    return overlap


def overlap_close_to(
    first: int, second: int, one: Picture, two: Picture, matrix: Points
) -> Overlap | None:
    """The overlap of two tiles close to a place that was found in whole tiles, if any. Its rivals are
    sought as far off as those of others: cells a period wide have none close by."""
    found = measure_overlap(first, second, one, two, matrix, reach=CLOSE_REACH)
    if found is None or not found.decided:
        return found
    wide = measure_overlap(first, second, one, two, found.matrix)
    if wide is None:
        return found
    gap = wide.matrix[:, 2] - found.matrix[:, 2]
    rivals = wide.rivals
    if np.hypot(*gap) > AGAIN_PX:
        rivals = np.concatenate([gap[None, :], rivals + gap])
    return replace(
        found, rivals=rivals, telling=min(found.telling, wide.telling), repeats=wide.repeats
    )


def lay_upon(
    first: int, second: int, one: Picture, two: Picture, matrix: Points
) -> tuple[Overlap | None, bool]:
    """The overlap of two tiles close to `matrix`, if any, and whether they surely show different things
    there."""
    pair = Pair(one, two, matrix)
    box = shared_box(pair)
    if box is None:
        return None, False
    if denied(one.coarse, two.coarse, matrix, _undistorted(pair, box), CLOSE_REACH):
        return None, True
    return overlap_close_to(first, second, one, two, matrix), False


def shared_box(pair: Pair) -> Box | None:
    """Left, top, right, bottom in the first photo of what both show."""
    height, width = pair.one.grey.shape
    xs, ys = np.linspace(0, width - 1, 40), np.linspace(0, height - 1, 30)
    points = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    inside = pair.one.is_valid(points) & pair.two.is_valid(pair.mapped(points))
    if inside.sum() < 12:
        return None
    low, high = points[inside].min(axis=0), points[inside].max(axis=0)
    step = np.array([width / 39, height / 29]) / 2
    left, top = np.maximum(low - step, 0).astype(int)
    right, bottom = np.minimum(high + step, (width, height)).astype(int)
    if min(right - left, bottom - top) < 40:
        return None
    return int(left), int(top), int(right), int(bottom)


def _undistorted(pair: Pair, box: Box) -> Points:
    left, top, right, bottom = box
    corners = np.array([(x, y) for x in (left, right) for y in (top, bottom)], dtype=np.float64)
    seen = pair.one.lens.undistorted(corners)
    return np.concatenate([seen.min(axis=0), seen.max(axis=0)])


def _measured(
    first: int, second: int, pair: Pair, box: Box, rivals: Points, telling: int, repeats: bool
) -> Overlap | None:
    found = measure_blocks(pair, box, FEWEST_BLOCKS)
    if found is None:
        return None
    matrix, agrees = found.agreeing(
        pair.matrix, pair.one.lens, pair.two.lens, LOOSE_PX, FEWEST_BLOCKS
    )
    if not agrees.any():
        return None
    kept = found.only(agrees)
    return Overlap(
        first, second, matrix, kept.here, kept.there, kept.information,
        float(found.correlation.mean()), float(agrees.mean()), rivals, telling, found, repeats,
    )  # fmt: skip
