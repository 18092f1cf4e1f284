"""Which bright rectangles are pads: those of one size that stand in rows along the rim.

Rows are counted counter-clockwise from the corner at the top left, as the leads of packages are
(common practice, no source): down the left side, along the bottom, up the right side, back along the
top.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from glassay.die.pads import (
    FRAME_LIGHT,
    Spot,
    frame_contrast,
    middles_without_edge,
    refined,
    shared,
)
from glassay.fitting import chain_inflation, scatter, trimmed_fit
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity

Array = npt.NDArray[np.float64]
Side = Literal["left", "bottom", "right", "top"]
SIDES: tuple[Side, ...] = ("left", "bottom", "right", "top")

SAME_SIZE = 0.15
"""Relative difference in either side up to which pads are of one size."""

ODD_SIZE, ODDER_SIZE = 0.04, 0.09
"""Relative difference in either side from the pads' median from which a rectangle is none where two
opposite sides have no edge in their middle, and where any has none. Edges are placed to some 1 %; an
edge that a ball hides is kept from the sizes that were tried, 4 % off at most (see `SIZE_STEP`)."""

ODD_PX = 1.5
"""The same at least, px: edges of small pads are not placed better."""

SAME_LIGHT = 1.8
"""Ratio of brightness up to which they are alike: light is uneven over a picture."""

SAME_DISTANCE = 0.3
"""Pads of one row lie at one distance from the rim, to this part of their side."""

MOST_EMPTY = 2.0
"""Steps of a row over its pads up to which it has a pitch: with more of them empty than filled, one
false pad between two others would halve it."""

FEWEST = 3
"""Fewest pads of a row."""

NEAR_RIM = 0.15
"""How far into a die, parts of its shorter side, or `NEAR_PADS` pads if that is more, a row lies."""
NEAR_PADS = 3.0
"""The same in pads: two rows deep, and a gap between them."""

ON_GRID = 0.06
"""How far from whole steps of a row its pads may lie, in steps."""

GRID_SHARE = 0.8
"""Part of a row's pads that must lie on whole steps for it to have one pitch."""

LEAST_SHARED = 0.1
"""Part of a pad that may lie within its neighbour: edges are placed to some percent at first."""

AS_STRONG = 0.6
"""Least contrast of a row, in the median of its pads, over that of the strongest row."""

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
        rows = _rows([s for s in spots if _alike(seed, s)], width, height)
        counted |= {spot for _, row in rows for spot in row}
        score = sum(s.contrast**2 * (s.width * s.height) ** 0.5 for _, row in rows for s in row)
        if score > best_score:
            best, best_score = rows, score
    if not best:
        return [], []
    # once more about the middle of what was found: the seed may be one of the odd ones
    middle = _typical([spot for _, row in best for spot in row])
    spots = [*spots, *_cut_to_size(level, middle, spots)]
    best = _rows([s for s in spots if _alike(middle, s) and not _odd(level, s, middle)],
                 width, height)  # fmt: skip
    typical = [spot for _, row in best for spot in row]
    filled = []
    for side, row in best:
        more = _without_strays(side, _filled(level, side, row, typical), middle)
        filled.append((side, more))
        typical += [spot for spot in more if spot not in row]
    return numbered(filled, width, height)


def _cut_to_size(level: FloatImage, middle: Spot, spots: Sequence[Spot]) -> list[Spot]:
    """Of rectangles that are of one size with the pads one way and too long the other way, the pad at
    either end: where a wire or a ball hides a pad's edge, a line beyond it was taken for that edge."""
    found = []
    for spot in spots:
        if _alike(middle, spot):
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
                if end is not None and _alike(middle, one := _lit(level, end))
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


def _typical(spots: Sequence[Spot]) -> Spot:
    """A rectangle with the median of each of their numbers, its longer side the height."""
    short = float(np.median([min(s.width, s.height) for s in spots]))
    long = float(np.median([max(s.width, s.height) for s in spots]))
    contrast, light = (
        float(np.median([getattr(s, n) for s in spots])) for n in ("contrast", "light")
    )
    return Spot(0.0, 0.0, short, long, contrast, light)


def _alike(one: Spot, other: Spot) -> bool:
    low, high = sorted((one.light, other.light))
    if high > SAME_LIGHT * low:
        return False
    mine, its = (one.width, one.height), (other.width, other.height)
    return any(
        all(abs(a / b - 1) < SAME_SIZE for a, b in zip(mine, sides, strict=True))
        for sides in (its, its[::-1])
    )


def _odd(level: FloatImage, spot: Spot, middle: Spot) -> bool:
    """Whether a rectangle is none of the pads: of another size, and open to the ground around it."""
    off = _off_size(spot, middle)
    least = ODD_PX / middle.width
    if off < max(ODD_SIZE, least):
        return False
    bare, opposite = middles_without_edge(level, spot)
    return opposite or (bare > 0 and off > max(ODDER_SIZE, least))


def _off_size(one: Spot, other: Spot) -> float:
    """Relative difference of two rectangles in either side, at most, one of them turned or not."""
    return min(
        max(abs(one.width - w) / w, abs(one.height - h) / h)
        for w, h in ((other.width, other.height), (other.height, other.width))
    )


def distance(spot: Spot, side: Side, width: float, height: float) -> float:
    """How far the middle of a rectangle lies from a side, px."""
    return {"left": spot.x, "right": width - spot.x, "top": spot.y, "bottom": height - spot.y}[side]


def _along(spot: Spot, side: Side) -> float:
    return spot.y if side in ("left", "right") else spot.x


def _rows(spots: Sequence[Spot], width: float, height: float) -> list[tuple[Side, list[Spot]]]:
    """Rows among rectangles of one size, the strongest first, that share no place. A row much fainter
    than the strongest is none."""
    left = list(spots)
    found: list[tuple[Side, list[Spot]]] = []
    while True:
        rows = [(side, row) for side in SIDES if (row := _strongest(left, side, width, height))]
        if not rows:
            likes = [_typical(row) for _, row in found]
            strong = max(likes, key=lambda like: like.contrast, default=None)
            return [
                one for one, like in zip(found, likes, strict=True)
                if strong and like.contrast > strong.contrast * (
                    AS_STRONG_OF_ONE_SIZE if _off_size(like, strong) < ODD_SIZE else AS_STRONG)
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
    ordered = sorted(spots, key=lambda s: _along(s, side) + (s.height if upright else s.width) / 2)
    half = np.array([(s.height if upright else s.width) / 2 for s in ordered])
    place = np.array([_along(s, side) for s in ordered])
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


def _grid(places: Array) -> tuple[float, npt.NDArray[np.int64], npt.NDArray[np.bool_]] | None:
    """The longest step of which places are whole multiples apart: step, numbers, which lie on it."""
    gaps = np.diff(places)
    candidates = sorted({*gaps.tolist(), *(places[2:] - places[:-2]).tolist()} if gaps.size < 4 else
                        {*gaps.tolist(), float(np.median(gaps))}, reverse=True)  # fmt: skip
    candidates += [float(gaps.min()) / 2]
    for step in candidates:
        # counted from gap to gap, so that a small error of the step does not add up
        numbers = np.rint(np.concatenate([[0.0], np.cumsum(np.rint(gaps / step))])).astype(np.int64)
        if numbers[-1] < 2 or (np.diff(numbers) < 1).any():
            continue
        slope, origin = np.polyfit(numbers, places, 1)
        on = np.abs(places - origin - slope * numbers) < ON_GRID * slope
        if on.mean() >= GRID_SHARE and on.sum() >= FEWEST:
            return float(slope), numbers, np.asarray(on)
    return None


def _filled(level: FloatImage, side: Side, row: list[Spot], typical: Sequence[Spot]) -> list[Spot]:
    """The row with pads that were not seen at first, looked for at its own steps, within and beyond."""
    places = np.array([_along(spot, side) for spot in row])
    grid = _grid(places)
    if grid is None:
        return row
    _, numbers, _ = grid
    upright = side in ("left", "right")
    slope, origin = np.polyfit(numbers, places, 1)
    across = np.array([spot.x if upright else spot.y for spot in row])
    lean, base = np.polyfit(places, across, 1) if len(row) > 3 else (0.0, float(np.median(across)))
    width, height = (
        float(np.median([getattr(s, name) for s in row])) for name in ("width", "height")
    )
    light = float(np.median([spot.light for spot in row]))
    contrast = float(np.median([spot.contrast for spot in row]))
    out = list(row)

    def look(number: int) -> bool:
        place = origin + slope * number
        other = base + lean * place
        x, y = (other, place) if upright else (place, other)
        if not (
            width / 2 < x < level.shape[1] - width / 2
            and height / 2 < y < level.shape[0] - height / 2
        ):
            return False
        if any(abs(s.x - x) < 0.9 * width and abs(s.y - y) < 0.9 * height for s in typical):
            return False
        found = refined(level, Spot(float(x), float(y), width, height, contrast, light))
        if found is None or max(abs(found.x - x) / width, abs(found.y - y) / height) > 0.15:
            return False
        odd = max(abs(found.width / width - 1), abs(found.height / height - 1))
        if odd > max(ODDER_SIZE, ODD_PX / min(width, height)):
            return False
        box = level[
            round(y - height / 2) : round(y + height / 2),
            round(x - width / 2) : round(x + width / 2),
        ]
        bright = float(np.percentile(box, FRAME_LIGHT))
        if not light / SAME_LIGHT < bright < light * SAME_LIGHT:
            return False
        if frame_contrast(level, found) < AS_STRONG * contrast:
            return False
        out.append(replace(found, light=bright))
        return True

    for number in sorted(set(range(int(numbers[-1]))) - set(numbers.tolist())):
        look(number)
    for way, end in ((-1, 0), (1, int(numbers[-1]))):
        number = end + way
        while look(number):
            number += way
    return sorted(out, key=lambda s: _along(s, side))


def _without_strays(side: Side, row: list[Spot], middle: Spot) -> list[Spot]:
    """The row without rectangles that are neither on its steps nor of the pads' size: a mark in the
    corner of a die that lies in line with its pads."""
    grid = _grid(np.array([_along(spot, side) for spot in row]))
    if grid is None:
        return row
    least = max(ODD_SIZE, ODD_PX / middle.width)
    return [s for s, on in zip(row, grid[2], strict=True) if on or _off_size(s, middle) < least]


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
    places = np.array([_along(spot, side) for spot in row])
    grid = _grid(places)
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
