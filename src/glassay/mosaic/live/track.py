"""How the picture moves from frame to frame: whether it rests, and where it has led since a place."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace

import cv2

from glassay.mosaic.live.picture import Place, View

STEADY_PX = 0.8
"""Working px that a steady picture moves by from frame to frame at most: 4 px at 1080p, so that at
10 frames a second and a quarter of that exposed the blur is a px."""
STEADY_STEPS = 2
FOLLOWED = 0.04
"""Height of the phase correlation from which a movement is followed."""


class Track:
    """The movement since the last sure place, and how long the picture has rested."""

    def __init__(self) -> None:
        self._last: View | None = None
        self._steps: deque[float] = deque(maxlen=STEADY_STEPS)
        self._still_since = math.nan
        self.moved = (0.0, 0.0)
        """Working px that the view has moved by, to the right and down."""
        self.is_followed = True
        """Whether every step of it could be followed."""

    def see(self, view: View, at_s: float) -> bool:
        """Follow the movement to the next frame; whether the picture rests."""
        last, self._last = self._last, view
        if last is None or last.detail.shape != view.detail.shape:
            return False
        size = (view.detail.shape[1], view.detail.shape[0])
        window = cv2.createHanningWindow(size, cv2.CV_32F)
        # OpenCV multiplies the window into what it is given.
        (x, y), response = cv2.phaseCorrelate(last.detail.copy(), view.detail.copy(), window)
        self._steps.append(math.hypot(x, y) if response > FOLLOWED else math.inf)
        self.is_followed &= response > FOLLOWED
        # the picture moves against the view
        self.moved = (self.moved[0] - x, self.moved[1] - y)
        steady = len(self._steps) == STEADY_STEPS and max(self._steps) <= STEADY_PX
        if not steady:
            self._still_since = math.nan
        elif math.isnan(self._still_since):
            self._still_since = at_s
        return steady

    @property
    def rests(self) -> bool:
        """Whether the picture rests."""
        return not math.isnan(self._still_since)

    def rested(self, at_s: float) -> float:
        """Seconds that it has rested for."""
        return at_s - self._still_since if self.rests else 0.0

    def begin_anew(self) -> None:
        """From here on: the place is sure."""
        self.moved, self.is_followed = (0.0, 0.0), True

    def led_to(self, place: Place) -> Place:
        """Where the movement has led from `place`, the last sure one."""
        return replace(place, x=place.x + self.moved[0], y=place.y + self.moved[1])
