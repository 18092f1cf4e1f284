"""How the picture moves from frame to frame: whether it rests, and where it has led since a place."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace

from glassay.mosaic.live.movement import FAINT, Seen, movement
from glassay.mosaic.live.picture import Place, View

STEADY_PX = 0.8
"""Working px that a steady picture moves by from frame to frame at most: 4 px at 1080p, so that at
10 frames a second and a quarter of that exposed the blur is a px."""
STEADY_STEPS = 2
AT_ONCE_COMMON, AT_ONCE_HEIGHT, AT_ONCE_ALONE = 0.25, 0.8, 0.9
"""Share in common and correlation from which the movement from a frame at rest counts at once, and the
part of it that no other may reach: one of the two is not blurred, often neither."""
NEAR_SHARE = 0.35
"""Of a view's width: so near to where the steps lead it lies. They err by steps of a pattern, and by
half of what fast frames are blurred over."""


class Track:
    """The movement since the last sure place, and how long the picture has rested."""

    def __init__(self) -> None:
        self._last: Seen | None = None
        self._sure = Place(0.0, 0.0)
        self._at_rest: tuple[Seen, Place] | None = None
        self._steps: deque[float] = deque(maxlen=STEADY_STEPS)
        self._still_since = math.nan
        self.moved = (0.0, 0.0)
        """Working px that the view has moved by, to the right and down."""
        self.is_followed = True
        """Whether it could be followed: at every step, or from the last sure frame at rest at once, no
        other movement was nearly as good. Else it is only the likeliest."""

    def see(self, view: View, at_s: float) -> bool:
        """Follow the movement to the next frame; whether the picture rests."""
        last, self._last = self._last, Seen(view)
        if last is None or last.shape != self._last.shape:
            return False
        step = movement(last, self._last)
        self._steps.append(math.hypot(step.x, step.y) if step.height > FAINT else math.inf)
        self.is_followed &= step.stands_alone()
        # the picture moves against the view
        self.moved = (self.moved[0] - step.x, self.moved[1] - step.y)
        steady = len(self._steps) == STEADY_STEPS and max(self._steps) <= STEADY_PX
        if not steady:
            self._still_since = math.nan
        elif math.isnan(self._still_since):
            self._still_since = at_s
        self._follow_at_once(self._last)
        return steady

    def _follow_at_once(self, seen: Seen) -> None:
        """From the last sure frame at rest to this one at once, where that stands alone."""
        if self._at_rest is None or self._at_rest[0].shape != seen.shape:
            return
        begun, place = self._at_rest
        whole = movement(begun, seen)
        counts = whole.common(seen.shape) >= AT_ONCE_COMMON and whole.height >= AT_ONCE_HEIGHT
        if not (counts and whole.stands_alone(AT_ONCE_ALONE)):
            return
        moved = place.x - whole.x - self._sure.x, place.y - whole.y - self._sure.y
        apart = math.hypot(self.moved[0] - moved[0], self.moved[1] - moved[1])
        self.is_followed = apart <= NEAR_SHARE * seen.shape[1]
        if self.is_followed:
            self.moved = moved

    @property
    def rests(self) -> bool:
        """Whether the picture rests."""
        return not math.isnan(self._still_since)

    def rested(self, at_s: float) -> float:
        """Seconds that it has rested for."""
        return at_s - self._still_since if self.rests else 0.0

    def begin_anew(self, place: Place) -> None:
        """From here on: the place of the last frame is sure."""
        self.moved, self.is_followed, self._sure = (0.0, 0.0), True, place
        if self._last is not None and self.rests:
            self._at_rest = (self._last, place)

    def led_to(self, place: Place) -> Place:
        """Where the movement has led from `place`, the last sure one."""
        return replace(place, x=place.x + self.moved[0], y=place.y + self.moved[1])
