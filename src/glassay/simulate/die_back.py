"""The back of a die: bare silicon as it was ground, which shows nothing of the front but its rim."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from glassay.simulate.die import Die
from glassay.simulate.die_layout import CAVITY
from glassay.simulate.geometry import Image, Points
from glassay.simulate.paint import View
from glassay.simulate.shapes import Shape, box, draw, grey

GROUND = grey(0.34)


@dataclass(frozen=True)
class DieBack:
    """The die `die` turned about its vertical axis: what lies at (x, y) on it is at (-x, y) here.

    `furrows` grinding marks run across, about `lean_deg` from the x axis. `leaning_um` is how much
    farther out the rim of the back is at the left than above the front's, where the saw leant."""

    die: Die
    furrows: int = 160
    lean_deg: float = 24.0
    leaning_um: float = 0.0
    seed: int = 0

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        picture = np.empty((*view.shape, 3), dtype=view.x.dtype)
        picture[:] = np.asarray(CAVITY, dtype=view.x.dtype)
        return draw(view, picture, _shapes(self))

    def marks_um(self) -> dict[str, Points]:
        """Those of the die, where they lie as seen from behind."""
        return {name: places * (-1, 1) for name, places in self.die.marks_um().items()}

    def facts(self) -> dict[str, float | str]:
        """Those of the die, and the width of the back."""
        facts = self.die.facts()
        return facts | {"back_width_um": float(facts["sawn_width_um"]) + self.leaning_um}


@lru_cache(maxsize=8)
def _shapes(back: DieBack) -> tuple[Shape, ...]:
    rng = np.random.default_rng([back.seed, 43])
    street = back.die.street_um
    w, h = back.die.width_um / 2 + street, back.die.height_um / 2 + street
    left = -w - back.leaning_um
    shapes = [Shape(box(left, -h, w, h), GROUND)]
    for _ in range(back.furrows):
        middle = rng.uniform((left, -h), (w, h))
        angle = math.radians(back.lean_deg + rng.normal(0, 2.0))
        way = np.array([math.cos(angle), math.sin(angle)])
        # cut to the die: how far the furrow runs before it meets a side
        reach = min(
            (side - at) / part if part > 0 else (low - at) / part
            for at, part, side, low in zip(middle, way, (w, h), (left, -h), strict=True)
        )
        end = middle + way * min(reach, rng.exponential(w))
        shapes.append(
            Shape(np.stack([middle, end]), grey(rng.uniform(0.24, 0.46)), rng.uniform(1.0, 4.0),
                  cap="butt")
        )  # fmt: skip
    return tuple(shapes)
