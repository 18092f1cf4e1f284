"""Rectangles on a die that are of one kind: of a pad's size and light, beside a side of the die."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from glassay.die.pads import Spot, middles_without_edge
from glassay.imaging.tone import FloatImage

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

AS_STRONG = 0.6
"""Least contrast of a row, in the median of its pads, over that of the strongest row."""


def typical_of(spots: Sequence[Spot]) -> Spot:
    """A rectangle with the median of each of their numbers, its longer side the height."""
    short = float(np.median([min(s.width, s.height) for s in spots]))
    long = float(np.median([max(s.width, s.height) for s in spots]))
    contrast, light = (
        float(np.median([getattr(s, n) for s in spots])) for n in ("contrast", "light")
    )
    return Spot(0.0, 0.0, short, long, contrast, light)


def alike(one: Spot, other: Spot) -> bool:
    """Whether two rectangles are of one size, one of them turned or not, and about as bright."""
    low, high = sorted((one.light, other.light))
    if high > SAME_LIGHT * low:
        return False
    mine, its = (one.width, one.height), (other.width, other.height)
    return any(
        all(abs(a / b - 1) < SAME_SIZE for a, b in zip(mine, sides, strict=True))
        for sides in (its, its[::-1])
    )


def is_odd(level: FloatImage, spot: Spot, middle: Spot) -> bool:
    """Whether a rectangle is none of the pads: of another size, and open to the ground around it."""
    off = off_size(spot, middle)
    least = ODD_PX / middle.width
    if off < max(ODD_SIZE, least):
        return False
    bare, opposite = middles_without_edge(level, spot)
    return opposite or (bare > 0 and off > max(ODDER_SIZE, least))


def off_size(one: Spot, other: Spot) -> float:
    """Relative difference of two rectangles in either side, at most, one of them turned or not."""
    return min(
        max(abs(one.width - w) / w, abs(one.height - h) / h)
        for w, h in ((other.width, other.height), (other.height, other.width))
    )


def distance(spot: Spot, side: Side, width: float, height: float) -> float:
    """How far the middle of a rectangle lies from a side, px."""
    return {"left": spot.x, "right": width - spot.x, "top": spot.y, "bottom": height - spot.y}[side]


def along(spot: Spot, side: Side) -> float:
    """Where the middle of a rectangle lies along a side, px."""
    return spot.y if side in ("left", "right") else spot.x
