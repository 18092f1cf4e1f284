"""Whether squares like the pads go on across the whole die, in the same columns and rows.

Keys, tiles, window panes and arrays of bumps do; bond pads stand along the rim, and what is amid them
is of other kinds.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from glassay.die.pads import LEAST_CONTRAST, Spot, frame_contrast
from glassay.die.rows import Pad
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

SAID = "squares like those at the rim fill it in even columns and rows: they are taken for no pads"
MOST_AMID = 0.6
"""Share of the crossings of columns and rows, away from the pads, that show such a square from which
they count as filled. Drawn keys show it at all; drawn dies at a tenth at the most."""
MOST_STEPS = 12
"""Into how many steps the way between two rows alone is parted, to seek rows between them."""


def is_filled_by_likes(level: FloatImage, pads: Sequence[Pad]) -> bool:
    """Whether the die, laid level px by px, is filled by squares in the columns and rows of `pads`."""
    if not pads:
        return False
    width, height = (float(np.median([getattr(p, n) for p in pads])) for n in ("width", "height"))
    tall, wide = level.shape
    around = np.array([(p.x, p.y) for p in pads])
    for columns in _lines([p.x for p in pads], width, wide):
        for rows in _lines([p.y for p in pads], height, tall):
            amid = [
                (x, y)
                for x in columns
                for y in rows
                if (np.abs((around - (x, y)) / (width, height)).max(axis=1) > 1).all()
            ]
            seen = [_contrast(level, x, y, width, height) >= LEAST_CONTRAST for x, y in amid]
            if seen and np.mean(seen) >= MOST_AMID:
                return True
    return False


def _lines(places: list[float], side: float, whole: int) -> Iterator[list[float]]:
    """The places of columns (or of rows) amid the die, along an axis `whole` px long: those between
    the outer ones of the pads; where these stand in two alone, or in one, parts of the way between."""
    found = _places(places, side)
    if len(found) > 2:
        yield found[1:-1]
        return
    first, last = (found[0], found[-1]) if len(found) == 2 else sorted((found[0], whole - found[0]))
    for steps in range(2, MOST_STEPS + 1):
        step = (last - first) / steps
        if step > side:
            yield [first + k * step for k in range(1, steps)]


def _contrast(level: FloatImage, x: float, y: float, width: float, height: float) -> float:
    return frame_contrast(level, Spot(x, y, width, height, 0.0, 0.0))


def _places(places: list[float], side: float) -> list[float]:
    """Places along one axis, those within half a pad taken together."""
    found: list[list[float]] = []
    for place in sorted(places):
        if found and place - found[-1][-1] < side / 2:
            found[-1].append(place)
        else:
            found.append([place])
    return [float(np.mean(one)) for one in found]
