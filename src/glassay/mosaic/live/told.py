"""What became of a frame: a tile that was kept, and what is told of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from glassay.mosaic.live.guide import Vector
from glassay.mosaic.live.picture import Place, View

State = Literal["moving", "several", "lost", "soft", "seen", "taken", "held", "full", "again"]
"""What became of a frame. "several": it fits in several places; "lost": in none; "again": it was found
again and waits for a second view; "seen": placed, nothing new; "held": kept without a place."""


@dataclass(frozen=True, eq=False)
class Tile:
    """A frame that was kept. `place` None: held, until the map tells where it lies."""

    number: int
    view: View
    place: Place | None
    soft: bool = False
    near: Place | None = None
    """Of a held one: where the movement had led since the last sure place, if it could be followed."""


@dataclass(frozen=True)
class Told:
    """What a frame tells. `place` (x, y in px of the frame, radians; the first tile's middle is
    (0, 0)) where it is sure; `kept` the number of the tile that it became; `placed` numbers of held
    tiles that found their place; `new` the share not yet on the map (NaN: not looked up); `step` where
    to move next, in views to the right and down (without a place: back to the last sure one, where that
    is known); `sharpness` against the map (NaN where unknown); `redrawn` whether other tiles moved."""

    state: State
    place: Place | None = None
    kept: int | None = None
    placed: tuple[int, ...] = ()
    new: float = math.nan
    step: Vector | None = None
    sharpness: float = math.nan
    steady: bool = False
    redrawn: bool = False
