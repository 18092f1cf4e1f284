"""What a live frame is compared by: evened detail at a small size, and how sharp its parts are."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from glassay.mosaic.live.parts import comparable

Floats = npt.NDArray[np.float32]
Bytes = npt.NDArray[np.uint8]

WORKING_PX = 384
"""Longer side at which frames are compared: at 1080p a fifth, so that a place is told to a px or two
of the frame and one frame takes some 60 ms of one processor."""
SMOOTHING_PX = 0.8
"""Smoothing before the size is reduced. Structure with a period below 2.5 px of the small picture
would come back as a false pattern that moves with every part of a px; it is gone instead."""
EVENED_PX = 31
"""Side of the surroundings that detail is evened by: light and shading change more slowly."""
FAINTEST = 1.0
"""Levels (of 255) of detail below which a part counts as plain; noise of a camera frame, averaged to
this size, stays below half."""
MOST_DETAIL = 3.0
PARTS = (9, 16)
"""Rows and columns of parts in which sharpness is told."""
AROUND_PX = 2
"""Rows beside a part that its slopes depend on: one by smoothing, one by the slope itself."""


@dataclass(eq=False)
class View:
    """One frame. `detail` (height, width): evened detail in working px, about -3..3; `factor`: px of
    the frame to one working px; `grey`: the frame, until its sharpness is asked for; `raw`: detail as
    the lens showed it, where it was straightened."""

    detail: Floats
    factor: float
    grey: Bytes | None
    raw: Floats | None = None

    @cached_property
    def sharpness(self) -> Floats:
        """Rms gradient of the frame's own px over its mean level (rows, columns). Most frames are never
        asked for it; one that is lets go of its px."""
        assert self.grey is not None
        found, self.grey = _sharpness(self.grey), None
        return found

    def for_keeps(self) -> View:
        """This view without its px: one that becomes a tile is kept as long as the map is."""
        _ = self.sharpness  # which lets go of them
        return self

    @cached_property
    def comparable(self) -> npt.NDArray[np.bool_]:
        """Blocks that can be compared at a place told to a px."""
        return comparable(self.detail)

    @cached_property
    def weight(self) -> Floats:
        """1 at px (height, width) of such blocks, else 0."""
        size = (self.detail.shape[1], self.detail.shape[0])
        blocks = self.comparable.astype(np.float32)
        return np.asarray(cv2.resize(blocks, size, interpolation=cv2.INTER_NEAREST), np.float32)


def view_of(grey: Bytes) -> View:
    """A frame (height, width), encoded 8 bit, made ready to be placed."""
    height, width = grey.shape
    factor = max(1.0, max(height, width) / WORKING_PX)
    size = (max(2, round(width / factor)), max(2, round(height / factor)))
    return View(detail_of(grey, size), factor, grey)


def detail_of(grey: Bytes, size: tuple[int, int]) -> Floats:
    """Detail at `size` (width, height) over its spread in the surroundings."""
    double = cv2.resize(grey, (2 * size[0], 2 * size[1]), interpolation=cv2.INTER_AREA)
    smooth = cv2.GaussianBlur(np.asarray(double, dtype=np.float32), (0, 0), 2 * SMOOTHING_PX)
    small = cv2.resize(smooth, size, interpolation=cv2.INTER_AREA)
    side = (EVENED_PX, EVENED_PX)
    mean = cv2.blur(small, side, borderType=cv2.BORDER_REFLECT)
    spread = cv2.blur((small - mean) ** 2, side, borderType=cv2.BORDER_REFLECT)
    detail = (small - mean) / np.sqrt(spread + FAINTEST**2)
    return np.asarray(np.clip(detail, -MOST_DETAIL, MOST_DETAIL), np.float32)


def _sharpness(grey: Bytes) -> Floats:
    # Row by row of parts: pictures of the whole frame would be given to the system and back each time.
    edges = [round(n * grey.shape[0] / PARTS[0]) for n in range(PARTS[0] + 1)]
    energy = np.zeros(PARTS, np.float32)
    for n, (top, bottom) in enumerate(itertools.pairwise(edges)):
        above = min(top, AROUND_PX)
        smooth = cv2.GaussianBlur(grey[top - above : bottom + AROUND_PX], (3, 3), 0)
        for along in ((1, 0), (0, 1)):
            slope = cv2.Sobel(smooth, cv2.CV_16S, *along, ksize=1)[above : above + bottom - top]
            squared = cv2.multiply(slope, slope, dtype=cv2.CV_32F)
            energy[n] += cv2.resize(squared, (PARTS[1], 1), interpolation=cv2.INTER_AREA)[0]
    level = cv2.resize(grey, PARTS[::-1], interpolation=cv2.INTER_AREA).astype(np.float32)
    return np.asarray(np.sqrt(energy) / np.maximum(level, 8.0), dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a frame lies: its middle in working px of the map, and its turn in radians."""

    x: float
    y: float
    turn: float = 0.0

    def matrix(self, size: tuple[int, int]) -> npt.NDArray[np.float64]:
        """2 x 3: px of a frame of `size` (width, height) to those of the map."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        mx, my = (size[0] - 1) / 2, (size[1] - 1) / 2
        return np.array([[c, -s, self.x - c * mx + s * my], [s, c, self.y - s * mx - c * my]])

    def seen_from(self, other: Place) -> Place:
        """This place in the frame of `other`, whose middle is then (0, 0) without turn."""
        dx, dy = self.x - other.x, self.y - other.y
        c, s = math.cos(other.turn), math.sin(other.turn)
        return Place(c * dx + s * dy, c * dy - s * dx, self.turn - other.turn)

    def distance(self, other: Place) -> float:
        """Between the two middles."""
        return math.hypot(self.x - other.x, self.y - other.y)
