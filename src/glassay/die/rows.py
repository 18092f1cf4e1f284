"""Which bright rectangles are pads: those of one size that stand in rows along the rim.

Rows are counted counter-clockwise from the corner at the top left, as the leads of packages are
(common practice, no source): down the left side, along the bottom, up the right side, back along the
top.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from glassay.die.likes import (
    AS_STRONG,
    ODD_SIZE,
    SAME_SIZE,
    SIDES,
    Side,
    alike,
    along,
    distance,
    is_odd,
    off_size,
    typical_of,
)
from glassay.die.pads import FRAME_LIGHT, Spot, frame_contrast, refined, shared
from glassay.die.row_steps import (
    FEWEST,
    MOST_EMPTY,
    SAME_DISTANCE,
    filled,
    foretold,
    grid_of,
    without_strays,
)
from glassay.fitting import chain_inflation, scatter, trimmed_fit
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity

Array = npt.NDArray[np.float64]

NEAR_RIM = 0.15
"""How far into a die, parts of its shorter side, or `NEAR_PADS` pads if that is more, a row lies."""
NEAR_PADS = 3.0
"""The same in pads: two rows deep, and a gap between them."""

LEAST_SHARED = 0.1
"""Part of a pad that may lie within its neighbour: edges are placed to some percent at first."""

AS_STRONG_OF_ONE_SIZE = 0.4
"""The same where its pads have the size of the strongest row's (to `ODD_SIZE`): a bright line close
along a row (the seal ring's) takes half of its contrast on one side."""

TOO_LONG = 0.6
"""How much longer than a pad, relative, a rectangle may be that is a pad and a line beyond it."""

SEEDS = 300
"""Rectangles, the strongest first, whose likes are counted."""


@dataclass(frozen=True)
class Pad:
    """A pad: its number, the side along which its row runs, the row (0 the outermost), where it is, px
    of the die from its top left corner, and whether a person put it there. The number is text: a pad
    put in between 12 and 13 is 12a, and a person may give any (`glassay.die.numbers`)."""

    number: str
    side: Side
    row: int
    x: float
    y: float
    width: float
    height: float
    by_hand: bool = False
    numbered_by_hand: bool = False


@dataclass(frozen=True)
class Row:
    """A row of pads along a side, the outermost 0: how many, `pitch` (px; None where they do not
    stand on even steps), and how many steps within the row are without a pad."""

    side: Side
    row: int
    count: int
    pitch: Quantity | None
    gaps: int


def rows_of(level: FloatImage, spots: Sequence[Spot]) -> tuple[list[Pad], list[Row]]:
    """Pads and rows among rectangles on a die laid level px by px; both empty where there are none."""
    height, width = level.shape
    best: list[tuple[Side, list[Spot]]] = []
    best_score = 0.0
    counted: set[Spot] = set()
    for seed in sorted(spots, key=lambda s: -s.contrast)[:SEEDS]:
        if seed in counted:  # in a row of its likes already
            continue
        rows = _rows([s for s in spots if alike(seed, s)], width, height)
        counted |= {spot for _, row in rows for spot in row}
        score = sum(s.contrast**2 * (s.width * s.height) ** 0.5 for _, row in rows for s in row)
        if score > best_score:
            best, best_score = rows, score
    if not best:
        return [], []
    # once more about the middle of what was found: the seed may be one of the odd ones
    middle = typical_of([spot for _, row in best for spot in row])
    spots = [*spots, *_cut_to_size(level, middle, spots)]
    best = _rows([s for s in spots if alike(middle, s) and not is_odd(level, s, middle)],
                 width, height)  # fmt: skip
    typical = [spot for _, row in best for spot in row]
    complete: list[tuple[Side, list[Spot]]] = []
    for side, row in best:
        more = without_strays(side, filled(level, side, row, typical), middle)
        complete.append((side, more))
        typical += [spot for spot in more if spot not in row]
    return numbered(foretold(level, complete, spots), width, height)


def _cut_to_size(level: FloatImage, middle: Spot, spots: Sequence[Spot]) -> list[Spot]:
    """Of rectangles that are of one size with the pads one way and too long the other way, the pad at
    either end: where a wire or a ball hides a pad's edge, a line beyond it was taken for that edge."""
    found = []
    for spot in spots:
        if alike(middle, spot):
            continue
        for w, h in {(middle.width, middle.height), (middle.height, middle.width)}:
            wide, high = spot.width / w - 1, spot.height / h - 1
            if abs(wide) < SAME_SIZE < high < TOO_LONG:
                over = (0.0, (spot.height - h) / 2)
            elif abs(high) < SAME_SIZE < wide < TOO_LONG:
                over = ((spot.width - w) / 2, 0.0)
            else:
                continue
            ends = (
                refined(
                    level,
                    replace(
                        spot, x=spot.x + n * over[0], y=spot.y + n * over[1], width=w, height=h
                    ),
                )
                for n in (-1, 1)
            )
            found += [
                one for end in ends
                if end is not None and alike(middle, one := _lit(level, end))
                and frame_contrast(level, one) > AS_STRONG * middle.contrast
            ]  # fmt: skip
    return found


def _lit(level: FloatImage, spot: Spot) -> Spot:
    """The rectangle with how bright it is where it lies."""
    box = level[
        max(0, round(spot.y - spot.height / 2)) : round(spot.y + spot.height / 2),
        max(0, round(spot.x - spot.width / 2)) : round(spot.x + spot.width / 2),
    ]
    return replace(spot, light=float(np.percentile(box, FRAME_LIGHT)) if box.size else 0.0)


def _rows(spots: Sequence[Spot], width: float, height: float) -> list[tuple[Side, list[Spot]]]:
    """Rows among rectangles of one size, the strongest first, that share no place. A row much fainter
    than the strongest is none."""
    left = list(spots)
    found: list[tuple[Side, list[Spot]]] = []
    while True:
        rows = [(side, row) for side in SIDES if (row := _strongest(left, side, width, height))]
        if not rows:
            likes = [typical_of(row) for _, row in found]
            strong = max(likes, key=lambda like: like.contrast, default=None)
            return [
                one for one, like in zip(found, likes, strict=True)
                if strong and like.contrast > strong.contrast * (
                    AS_STRONG_OF_ONE_SIZE if off_size(like, strong) < ODD_SIZE else AS_STRONG)
            ]  # fmt: skip
        side, row = max(rows, key=lambda one: _strength(one[1]))
        found.append((side, row))
        left = [s for s in left if s not in row and all(shared(s, r) < LEAST_SHARED for r in row)]


def _strength(row: Sequence[Spot]) -> float:
    return sum(spot.contrast for spot in row)


def _strongest(spots: Sequence[Spot], side: Side, width: float, height: float) -> list[Spot]:
    """The row along a side whose contrasts add up to most, in order along it; empty below `FEWEST`."""
    near = sorted(spots, key=lambda s: distance(s, side, width, height))
    best: list[Spot] = []
    for first in near:
        size = min(first.width, first.height)
        start = distance(first, side, width, height)
        if start > max(NEAR_RIM * min(width, height), NEAR_PADS * size):
            break
        row = _side_by_side([
            s for s in near if 0 <= distance(s, side, width, height) - start < SAME_DISTANCE * size
        ], side)  # fmt: skip
        if len(row) >= FEWEST and _strength(row) > _strength(best):
            best = row
    return best


def _side_by_side(spots: Sequence[Spot], side: Side) -> list[Spot]:
    """Of rectangles at one distance from the rim those that do not overlap and whose contrasts add up
    to most (weighted interval scheduling): what two pads frame between them loses against the two."""
    upright = side in ("left", "right")
    ordered = sorted(spots, key=lambda s: along(s, side) + (s.height if upright else s.width) / 2)
    half = np.array([(s.height if upright else s.width) / 2 for s in ordered])
    place = np.array([along(s, side) for s in ordered])
    ends, starts = place + half, place - half * (1 - 2 * LEAST_SHARED)
    totals, chosen = [0.0], []
    for n, spot in enumerate(ordered):
        before = int(np.searchsorted(ends[:n], starts[n], side="right"))
        taken = totals[before] + spot.contrast
        chosen.append((taken > totals[-1], before))
        totals.append(max(taken, totals[-1]))
    row, n = [], len(ordered)
    while n:
        take, before = chosen[n - 1]
        if take:
            row.append(ordered[n - 1])
        n = before if take else n - 1
    return row[::-1]


def numbered(
    rows: Sequence[tuple[Side, list[Spot]]], width: float, height: float
) -> tuple[list[Pad], list[Row]]:
    """Rows in order from the rim, and their pads with numbers, on a die of this size (px)."""
    pads: list[Pad] = []
    told: list[Row] = []
    for side in SIDES:
        mine = [row for where, row in rows if where == side]
        mine.sort(key=lambda row: float(np.median([distance(s, side, width, height) for s in row])))
        told += [row_of(side, number, row) for number, row in enumerate(mine)]
        pads += [
            Pad("", side, number, spot.x, spot.y, spot.width, spot.height)
            for number, row in enumerate(mine) for spot in row
        ]  # fmt: skip
    pads.sort(key=ring_place)
    return [replace(pad, number=str(n)) for n, pad in enumerate(pads, 1)], told


def ring_place(pad: Pad) -> tuple[int, float]:
    """Where a pad comes counter-clockwise from the top left corner, to sort by."""
    along = pad.y if pad.side in ("left", "right") else pad.x
    return SIDES.index(pad.side), -along if pad.side in ("right", "top") else along


def row_of(side: Side, number: int, row: Sequence[Spot]) -> Row:
    """What a row is: its pitch, where it has one, by regression on whole steps."""
    if len(row) < FEWEST:
        return Row(side, number, len(row), None, 0)
    places = np.array([along(spot, side) for spot in row])
    grid = grid_of(places)
    if grid is None:
        return Row(side, number, len(row), None, 0)
    _, steps, on = grid
    if steps[-1] + 1 > MOST_EMPTY * len(row):
        return Row(side, number, len(row), None, 0)
    across = np.array([spot.x if side in ("left", "right") else spot.y for spot in row])
    n = steps[on].astype(np.float64)
    design = np.stack([np.ones_like(n), n - n.mean()], axis=1)
    fit = trimmed_fit(design, places[on], limit=lambda away: 4 * scatter(away) + 0.05)
    rest = fit.residuals[fit.kept]
    r = float(np.corrcoef(rest[1:], rest[:-1])[0, 1]) if rest.size > 8 and rest.std() > 0 else 0.0
    u = float(np.sqrt(fit.covariance[1, 1] * chain_inflation(r, rest.size)))
    # a row askew to the rim is longer than it looks along it
    lean = float(np.polyfit(places, across, 1)[0]) if len(row) > 3 else 0.0
    placed = Contribution("places of the pads", u, fit.freedom, scope="exposure")
    pitch = Quantity(float(fit.solution[1]) * (1 + lean**2) ** 0.5, "px", (placed,))
    return Row(side, number, len(row), pitch, int(steps[-1]) + 1 - len(row))
