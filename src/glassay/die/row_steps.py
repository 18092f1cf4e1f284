"""The steps of a row of pads: what lies on them, and pads that they foretell.

A ball or a wire hides edges of a pad, and another rectangle is then taken for it. Where a row's steps,
or on a side without a row those of another, say that a pad stands, it is looked for with the pads' own
size, and counts where its frame is seen there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from glassay.die.likes import (
    AS_STRONG,
    ODD_PX,
    ODD_SIZE,
    ODDER_SIZE,
    SAME_LIGHT,
    SIDES,
    Side,
    alike,
    along,
    distance,
    off_size,
    typical_of,
)
from glassay.die.pads import FRAME_LIGHT, Spot, frame_contrast, refined
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

FEWEST = 3
"""Fewest pads of a row."""

ON_GRID = 0.06
"""How far from whole steps of a row its pads may lie, in steps."""

GRID_SHARE = 0.8
"""Part of a row's pads that must lie on whole steps for it to have one pitch."""

MOST_EMPTY = 2.0
"""Steps of a row over its pads up to which it has a pitch: with more of them empty than filled, one
false pad between two others would halve it."""

SAME_DISTANCE = 0.3
"""Pads of one row lie at one distance from the rim, to this part of their side; so do the pads of a
side without a row and a row of another side."""

FORETOLD_OFF = 0.15
"""How far from where it is foretold, in its sides, a pad may lie: edges are placed to some percent, and
a row that is askew to the rim strays."""


def grid_of(places: Array) -> tuple[float, npt.NDArray[np.int64], npt.NDArray[np.bool_]] | None:
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


@dataclass(frozen=True)
class Expected:
    """What pads are like: median size along x and y (px), contrast of the frame, light."""

    width: float
    height: float
    contrast: float
    light: float

    @classmethod
    def of(cls, spots: Sequence[Spot]) -> Expected:
        """The medians of rectangles that stand the same way."""
        numbers = ("width", "height", "contrast", "light")
        return cls(*(float(np.median([getattr(s, name) for s in spots])) for name in numbers))

    def turned(self) -> Expected:
        """The same beside a side that meets the row's own."""
        return replace(self, width=self.height, height=self.width)

    def seen_at(
        self, level: FloatImage, x: float, y: float, taken: Sequence[Spot], odd: float
    ) -> Spot | None:
        """The pad whose middle is foretold at (x, y), where its frame is seen there; None where it is
        not, where another of `taken` is, or where its size is `odd` (relative) off and more."""
        width, height = self.width, self.height
        if not (
            width / 2 < x < level.shape[1] - width / 2
            and height / 2 < y < level.shape[0] - height / 2
        ):
            return None
        if any(abs(s.x - x) < 0.9 * width and abs(s.y - y) < 0.9 * height for s in taken):
            return None
        found = refined(level, Spot(float(x), float(y), width, height, self.contrast, self.light))
        if found is None:
            return None
        if max(abs(found.x - x) / width, abs(found.y - y) / height) > FORETOLD_OFF:
            return None
        off = max(abs(found.width / width - 1), abs(found.height / height - 1))
        if off > max(odd, ODD_PX / min(width, height)):
            return None
        box = level[
            round(y - height / 2) : round(y + height / 2),
            round(x - width / 2) : round(x + width / 2),
        ]
        bright = float(np.percentile(box, FRAME_LIGHT))
        if not self.light / SAME_LIGHT < bright < self.light * SAME_LIGHT:
            return None
        if frame_contrast(level, found) < AS_STRONG * self.contrast:
            return None
        return replace(found, light=bright)


def filled(level: FloatImage, side: Side, row: list[Spot], typical: Sequence[Spot]) -> list[Spot]:
    """The row with pads that were not seen at first, looked for at its own steps, within and beyond."""
    places = np.array([along(spot, side) for spot in row])
    steps = grid_of(places)
    if steps is None:
        return row
    _, numbers, _ = steps
    upright = side in ("left", "right")
    slope, origin = np.polyfit(numbers, places, 1)
    across = np.array([spot.x if upright else spot.y for spot in row])
    lean, base = np.polyfit(places, across, 1) if len(row) > 3 else (0.0, float(np.median(across)))
    like = Expected.of(row)
    out = list(row)

    def look(number: int) -> bool:
        place = origin + slope * number
        other = base + lean * place
        x, y = (other, place) if upright else (place, other)
        found = like.seen_at(level, x, y, typical, ODDER_SIZE)
        if found is not None:
            out.append(found)
        return found is not None

    for number in sorted(set(range(int(numbers[-1]))) - set(numbers.tolist())):
        look(number)
    for way, end in ((-1, 0), (1, int(numbers[-1]))):
        number = end + way
        while look(number):
            number += way
    return sorted(out, key=lambda s: along(s, side))


def foretold(
    level: FloatImage, rows: Sequence[tuple[Side, list[Spot]]], spots: Sequence[Spot]
) -> list[tuple[Side, list[Spot]]]:
    """These rows, and those on sides that have none, foretold by the row with the most on even steps.

    Of `spots`, one of the pads' size at that row's distance from the rim is where counting begins; its
    steps tell where the others stand. Each must show its frame, and there must be `FEWEST`. A side's
    only row, if it is uneven and holds fewer, is what balls made of pads: foretold ones replace it.
    """
    known = [(side, row, steps) for side, row in rows
             if (steps := grid_of(np.array([along(s, side) for s in row]))) is not None
             and steps[1][-1] + 1 <= MOST_EMPTY * len(row)]  # fmt: skip
    out = list(rows)
    if not known:
        return out
    height, width = level.shape
    side, row, (step, _, _) = max(known, key=lambda one: len(one[1]))
    upright = ("left", "right")
    inset = float(np.median([distance(s, side, width, height) for s in row]))
    middle, like = typical_of(row), Expected.of(row)
    even = [where for where, _, _ in known]
    for bare in SIDES:
        own = [one for where, one in out if where == bare]
        if bare in even or len(own) > 1:
            continue
        taken = [spot for where, one in out for spot in one if where != bare]
        mine = like if (bare in upright) == (side in upright) else like.turned()
        best: list[Spot] = []
        for anchor in spots:
            if (
                not alike(middle, anchor)
                or off_size(anchor, middle) > max(ODD_SIZE, ODD_PX / middle.width)
                or abs(distance(anchor, bare, width, height) - inset) > SAME_DISTANCE * middle.width
            ):
                continue
            mates = _from_anchor(level, bare, anchor, step, mine, taken)
            if len(mates) > len(best):
                best = mates
        if len(best) >= FEWEST and len(best) > len(own[0] if own else []):
            out = [one for one in out if one[0] != bare] + [(bare, best)]
    return out


def _from_anchor(
    level: FloatImage, side: Side, anchor: Spot, step: float, like: Expected, taken: Sequence[Spot]
) -> list[Spot]:
    """The pads that stand whole steps from one of them along a side."""
    upright = side in ("left", "right")
    start, end = along(anchor, side), level.shape[0 if upright else 1]
    row = []
    for number in range(-int(start // step), int((end - start) // step) + 1):
        place = start + number * step
        x, y = (anchor.x, place) if upright else (place, anchor.y)
        found = like.seen_at(level, x, y, taken, ODD_SIZE)
        if found is not None:
            row.append(found)
    return row


def without_strays(side: Side, row: list[Spot], middle: Spot) -> list[Spot]:
    """The row without rectangles that are neither on its steps nor of the pads' size: a mark in the
    corner of a die that lies in line with its pads."""
    grid = grid_of(np.array([along(spot, side) for spot in row]))
    if grid is None:
        return row
    least = max(ODD_SIZE, ODD_PX / middle.width)
    return [s for s, on in zip(row, grid[2], strict=True) if on or off_size(s, middle) < least]
