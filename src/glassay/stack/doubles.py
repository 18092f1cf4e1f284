"""Photos of a run that are no step on: one height taken twice, and a frame that a camera repeats.

From one height to the next focus changes coarse detail, and as long as a place is not passed it does
so in one direction. So the way of a few photos is held against that from the photo before them to the
one after: of two photos at one height it is none, whatever their noise, which the two ends do not
share. Places that are in focus there are not asked: just before and just after focus all looks alike.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage

LEAST_REDUCED, LARGEST_PX = 4, 480
"""Photos are reduced to this longest side, and at least so much: the finest detail is not asked."""
BAND = (1.25, 3.75)
"""Standard deviations of the two Gaussians, reduced px, between which detail is compared."""
MARGIN = 6
"""Reduced px from where a photo ends that are not asked."""
SAME_SHARE = 0.15
"""Way over that of the steps before and after it, below which it is none. Even steps of simulated runs
give 0.8 and more, heights taken twice 0.03 at most in photos, and frames repeated by a clip too; steps
by hand, which scatter by 0.3 each, are so short in 0.2 % of cases."""
ABOUT_THE_PEAK = 1
"""Photos on either side of those compared; places that are sharpest there or in these are not asked."""
LEAST_ELSEWHERE = 0.05
"""Share of the sharp places that must be left to be asked: up to 2 % have another depth by mistake."""
MOST_NAMED = 4
"""Groups of repeats that are named one by one."""


@dataclass(frozen=True)
class Changes:
    """Coarse detail of each photo, `bands` (photos, places), and the photo in which each place is
    sharpest, `peak` (places,)."""

    bands: npt.NDArray[np.float16]
    peak: npt.NDArray[np.int64]

    def ways(self, begin: int, end: int) -> tuple[float, float, float] | None:
        """Of the way from the photo before `begin` to the one after `end`, the shares of the first
        step, of that from `begin` to `end`, and of the last. None where too few places tell."""
        asked = (self.peak < begin - ABOUT_THE_PEAK) | (self.peak > end + ABOUT_THE_PEAK)
        if np.count_nonzero(asked) < max(1.0, LEAST_ELSEWHERE * self.peak.size):
            return None
        at = [begin - 1, begin, end, end + 1]
        seen = [self.bands[photo][asked].astype(np.float32) for photo in at]
        whole = seen[-1] - seen[0]
        first, middle, last = (float(np.vdot(b - a, whole)) for a, b in pairwise(seen))
        way = first + middle + last
        return None if way <= 0 else (first / way, middle / way, last / way)


class Watch:
    """Takes photos as they lie upon each other, one by one."""

    def __init__(self) -> None:
        self._bands: list[npt.NDArray[np.float16]] = []
        self._known: npt.NDArray[np.bool_] | None = None

    def add(self, picture: FloatImage, inside: npt.NDArray[np.bool_]) -> None:
        """The next photo, its light even with the others' and 1 on the mean, and where it is known."""
        side = max(picture.shape)
        factor = max(LEAST_REDUCED, math.ceil(side / LARGEST_PX))
        size = max(1, picture.shape[1] // factor), max(1, picture.shape[0] // factor)
        small = cv2.resize(picture - 1, size, interpolation=cv2.INTER_AREA)
        known = cv2.resize(inside.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.999
        small = np.where(known, small, 0).astype(np.float32)
        fine, coarse = (cv2.GaussianBlur(small, (0, 0), sigma) for sigma in BAND)
        self._bands.append((fine - coarse).astype(np.float16))
        self._known = known if self._known is None else self._known & known

    def changes(self, best: npt.NDArray[np.intp], sharp: npt.NDArray[np.bool_]) -> Changes:
        """`best` (rows, columns) is the photo in which a place is sharpest, if it is `sharp` at all."""
        assert self._known is not None
        height, width = self._known.shape
        inner = np.pad(self._known[1:-1, 1:-1], 1).astype(np.uint8)
        kernel = np.ones((2 * MARGIN + 1,) * 2, np.uint8)
        told = np.where(sharp, best, -1).astype(np.float32)
        peak = cv2.resize(told, (width, height), interpolation=cv2.INTER_NEAREST)
        asked = (cv2.erode(inner, kernel) > 0) & (peak >= 0)
        bands = np.array([band[asked] for band in self._bands])
        return Changes(bands, peak[asked].astype(np.int64))


def repeats(changes: Changes) -> list[int]:
    """Photos, counted from 0, that show the height of the one before again.

    At either end of the run nothing tells how far a step goes: there none is called so.
    """
    count = len(changes.bands)
    found: set[int] = set()
    for begin in range(1, count - 2):
        for end in range(begin + 1, count - 1):
            ways = changes.ways(begin, end)
            if ways is None or ways[1] >= SAME_SHARE * ways[0]:
                break
            if ways[1] < SAME_SHARE * ways[2]:
                found.update(range(begin + 1, end + 1))
    return sorted(found)


@dataclass(frozen=True)
class Without:
    """The photos of a run but for those `left_out`, counted from 0; gone through anew each time."""

    frames: Iterable[FloatImage]
    left_out: frozenset[int]

    def __iter__(self) -> Iterator[FloatImage]:
        for number, frame in enumerate(self.frames):
            if number not in self.left_out:
                yield frame


def in_words(again: list[int], photo: str) -> str:
    """What is said of them; `photo` is what one is called."""
    groups: list[list[int]] = []
    for at in again:
        if groups and groups[-1][1] == at:
            groups[-1][1] = at + 1
        else:
            groups.append([at, at + 1])
    named = [f"{a} {'and' if b == a + 1 else 'to'} {b}" for a, b in groups[:MOST_NAMED]]
    which = ", ".join(named) + (" and others" if len(groups) > MOST_NAMED else "")
    return (
        f"{photo}s {which} differ by noise alone: one height taken twice would count as a step of"
        f" focus, so {len(again)} {'is' if len(again) == 1 else 'are'} left out"
    )
