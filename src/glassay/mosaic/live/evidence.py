"""Whether a frame really lies where it might, part by part, and whether another place is as good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from glassay.mosaic.live.chart import Chart
from glassay.mosaic.live.parts import AGREES, BLOCKS, Blocks, block_sums
from glassay.mosaic.live.picture import Floats, Place, View
from glassay.mosaic.overlap import AGREEING_SHARE

KNOWN_SHARE = 0.7
TEXTURED = 0.45
"""Spread of evened detail (1 where there is much) from which a block shows something."""
FEWEST = 8
RIVAL_FEWEST, RIVAL_SHARE = 6, 0.5
"""A place that even so much speaks for is a rival."""
NEAR_SHARE, NEAR_AGREES = 0.35, 0.3
"""What speaks for a place before the frame is moved to where it fits best there; less is not tried."""
WORSE = 0.4
"""Log ratio of the misfits (1 + `MISFIT_FLOOR` - correlation) of a block from which it tells two
places apart: half as much again."""
MISFIT_FLOOR = 0.05
FEWEST_TELLING = 6
AGAINST = 3
"""A rival is ruled out by `FEWEST_TELLING` blocks and `AGAINST` times those that speak for it."""
LESSER = 1 / 3
"""A place that explains less than a third of what another does is no rival to it: in a pattern, a
corner of a frame fits in many places beside the one where all of it fits."""
ASIDE_PX = 3.0
"""Lines that all run one way fit as well a little further along them: that is tried as well."""
STEPS = 5
MOST_STEP_PX = 1.5
FARTHEST_PX = 3 * MOST_STEP_PX
"""By how much a frame is moved to where it fits best."""
SURROUNDED = np.ones((11, 11), np.uint8)
"""Of a px that is compared however the frame is moved: so much around it is known as well."""
LARGEST_TURN = 0.035
"""Radians; a stage moved by hand does not turn the object by 2 degrees."""


@dataclass(frozen=True, eq=False)
class Fit:
    """A frame laid at a place: correlation of each block (rows, columns), NaN where the map is not
    known, both are plain or the frame is too fine to be compared; `share` of the frame that lies on the
    map."""

    place: Place
    blocks: Blocks
    share: float

    @property
    def compared(self) -> int:
        """Blocks that show something in both or in one of them."""
        return int(np.count_nonzero(~np.isnan(self.blocks)))

    @property
    def weight(self) -> float:
        """How much speaks for the place, in blocks."""
        return float(np.nansum(self.blocks - AGREES))

    def holds(
        self, fewest: int = FEWEST, share: float = AGREEING_SHARE, agrees: float = AGREES
    ) -> bool:
        """Whether frame and map show the same there."""
        agreeing = int(np.count_nonzero(self.blocks >= agrees))
        return agreeing >= fewest and agreeing >= share * self.compared

    def rules_out(self, rival: Fit) -> bool:
        """Whether far more of the frame is explained here, or what both explain clearly better."""
        return rival.weight < LESSER * self.weight or self.tells_from(rival)

    def tells_from(self, rival: Fit) -> bool:
        """Whether what both places explain speaks clearly for this one."""
        ratio = np.log((1 + MISFIT_FLOOR - rival.blocks) / (1 + MISFIT_FLOOR - self.blocks))
        better = int(np.count_nonzero(ratio > WORSE))
        worse = int(np.count_nonzero(ratio < -WORSE))
        return better >= FEWEST_TELLING + AGAINST * worse


@dataclass(frozen=True, eq=False)
class Judged:
    """What is known of a frame's place: `fit` where it is sure; else whether it fits in several
    places (`several`), of which `best` is one."""

    fit: Fit | None
    several: bool
    best: Fit | None


def is_near(view: View, chart: Chart, place: Place) -> bool:
    """Whether so much speaks for a place that it is worth to be fitted."""
    return _compared(view, chart, place).holds(RIVAL_FEWEST, NEAR_SHARE, NEAR_AGREES)


def judge(
    view: View, chart: Chart, tried: Sequence[Place], led_to: tuple[Place, float] | None = None
) -> Judged:
    """Try places, and take one only where the evidence rules out every other.

    `led_to` is where the movement has led, and how far around it a rival counts even if it explains
    far less than another place does.
    """
    fits = [fit_at(view, chart, place) for place in tried if is_near(view, chart, place)]
    fits = _different([one for one in fits if one.holds(RIVAL_FEWEST, RIVAL_SHARE)])
    fits.sort(key=lambda one: -one.weight)
    best = fits[0] if fits else None
    for first in fits[:3]:
        others = [one for one in fits if one is not first]
        if first.holds() and all(_is_out(first, one, led_to) for one in others):
            if _is_pinned(view, chart, first):
                return Judged(first, False, first)
            return Judged(None, True, first)
    return Judged(None, any(one.holds() for one in fits), best)


def _is_out(first: Fit, rival: Fit, led_to: tuple[Place, float] | None) -> bool:
    if led_to is not None and rival.place.distance(led_to[0]) <= led_to[1]:
        return first.tells_from(rival)
    return first.rules_out(rival)


def _different(fits: Sequence[Fit]) -> list[Fit]:
    kept: list[Fit] = []
    for one in sorted(fits, key=lambda fit: -fit.weight):
        if all(one.place.distance(other.place) > 1.0 for other in kept):
            kept.append(one)
    return kept


def _is_pinned(view: View, chart: Chart, fit: Fit) -> bool:
    """Whether the frame fits worse a little aside, along every direction."""
    for n in range(4):
        x, y = ASIDE_PX * np.cos(n * np.pi / 4), ASIDE_PX * np.sin(n * np.pi / 4)
        place = Place(fit.place.x + float(x), fit.place.y + float(y), fit.place.turn)
        aside = _compared(view, chart, place)
        if not fit.rules_out(aside):
            return False
    return True


def fit_at(view: View, chart: Chart, place: Place) -> Fit:
    """Lay the frame at `place`, moved and turned to where it fits best.

    By the slopes of the frame, which are the same at every place (Baker and Matthews 2004), in steps of
    least squares (Lucas and Kanade 1981).
    """
    size = (view.detail.shape[1], view.detail.shape[0])
    slopes = slopes_of(view)
    inner = cv2.erode(chart.known_at(place, size), SURROUNDED).astype(np.float32)
    weighted = [one * inner for one in slopes]
    normal = _products(weighted, slopes)
    if np.trace(normal[:2, :2]) <= 0:
        return _compared(view, chart, place)
    begun = place
    for _ in range(STEPS):
        rest = view.detail - chart.detail_at(place, size)
        step = _solved(normal, _products(weighted, [rest])[:, 0])
        place = _stepped(place, step)
        if place.distance(begun) > FARTHEST_PX or abs(place.turn) > LARGEST_TURN:
            place = begun
            break
        if max(abs(step[0]), abs(step[1]), abs(step[2]) * size[0] / 2) < 0.05:
            break
    return _compared(view, chart, place)


@lru_cache(maxsize=2)
def slopes_of(view: View) -> tuple[Floats, Floats, Floats]:
    """Of a frame's detail to the right, down and with its turn, 0 where it is not compared.

    Kept for a few frames only: those that became tiles are many.
    """
    height, width = view.detail.shape
    across = np.arange(width, dtype=np.float32)[None, :] - np.float32((width - 1) / 2)
    down = np.arange(height, dtype=np.float32)[:, None] - np.float32((height - 1) / 2)
    gx, gy = (
        cv2.Sobel(view.detail, cv2.CV_32F, *along, ksize=1, scale=0.5) * view.weight
        for along in ((1, 0), (0, 1))
    )
    return gx, gy, gy * across - gx * down


def _products(some: Sequence[Floats], others: Sequence[Floats]) -> Blocks:
    """Sums of products of each with each (some, others)."""
    # a product of two matrices so narrow takes three times as long
    return np.array([[float(a.ravel() @ b.ravel()) for b in others] for a in some])


def _solved(normal: Blocks, right: Blocks) -> Blocks:
    held = normal + np.diag([1e-4, 1e-4, 1e-4]) * np.trace(normal) / 3
    step = np.linalg.solve(held, right)
    step *= min(1.0, MOST_STEP_PX / max(1e-9, float(np.hypot(step[0], step[1]))))
    return np.asarray(step, np.float64)


def _stepped(place: Place, step: Blocks) -> Place:
    c, s = np.cos(place.turn), np.sin(place.turn)
    return Place(
        place.x + float(c * step[0] - s * step[1]), place.y + float(s * step[0] + c * step[1]),
        place.turn + float(step[2]),
    )  # fmt: skip


def _compared(view: View, chart: Chart, place: Place) -> Fit:
    size = (view.detail.shape[1], view.detail.shape[0])
    seen, known = chart.seen_at(place, size)
    weight = known.astype(np.float32)
    mine = view.detail * weight
    seen = seen * weight
    count = np.maximum(block_sums(weight), 1.0)
    a, b = block_sums(mine) / count, block_sums(seen) / count
    va = np.maximum(block_sums(mine * mine) / count - a * a, 0)
    vb = np.maximum(block_sums(seen * seen) / count - b * b, 0)
    product = block_sums(mine * seen) / count - a * b
    shown = view.comparable & (np.maximum(va, vb) >= TEXTURED**2)
    shown &= count >= KNOWN_SHARE * weight.size / (BLOCKS[0] * BLOCKS[1])
    faint = (TEXTURED / 3) ** 2  # a plain block against a rich one must not divide by nothing
    found = product / np.sqrt(np.maximum(va, faint) * np.maximum(vb, faint))
    return Fit(place, np.where(shown, found, np.nan), float(weight.mean()))
