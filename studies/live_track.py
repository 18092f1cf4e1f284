"""The movement between frames of a live mosaic: how much of it is followed, and how much wrongly.

A simulated hand moves over dies with and without a large memory, and rests between. A movement is wrong
that is off by more than the finest step of a pattern that is compared at all. The truth of a blurred
frame is the middle of its exposure.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from glassay.mosaic.live.movement import Movement, Seen, movement
from glassay.mosaic.live.picture import Place, View, view_of
from glassay.mosaic.live.track import AT_ONCE_COMMON, AT_ONCE_HEIGHT, STEADY_PX, Track
from glassay.simulate.stage import Exposed
from studies.live_mosaic import RATE, Hand, Kind, stage_of

IS_APART = True
WRONG_PX = 5.0
MOVED_PX = 2.0
"""What moves less is a rest."""
SIZE = (384, 216)
DIES = ((21, True), (25, True), (27, True), (22, False))
PARTS = (0.8, 0.85, 0.9, 0.95, 1.0)
AHEAD = (1, 2, 4, 8, 14)
REST_S = 0.4


@dataclass(frozen=True, eq=False)
class Frame:
    """A frame as it is compared, and where it was taken, in px."""

    view: View
    seen: Seen
    x: float
    y: float


def frames(seed: int, memory: bool) -> list[Frame]:
    """What a hand sees that goes over a die once."""
    kind = Kind("", SIZE, (6, 4), seed, pixel_um=1.0, memory=(1.6, 1.4) if memory else None)
    stage, rng = stage_of(kind), np.random.default_rng(seed)
    hand, out = Hand(kind, stage), []
    for target in hand.targets[1:]:
        for path in itertools.chain(hand.move(hand.aim(target)), hand.rest(REST_S)):
            how = Exposed(float(np.exp(rng.normal(0, 0.02))), float(rng.uniform(0, 0.5)))
            data = stage.frame(path, len(out), how)
            view = view_of(np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8))
            x, y = (float(np.mean([getattr(p, axis) for p in path])) for axis in "xy")
            out.append(Frame(view, Seen(view), x, y))
    return out


def _off(told: Movement, a: Frame, b: Frame) -> float:
    return math.hypot(told.x + b.x - a.x, told.y + b.y - a.y)


def _pairs(of: list[Frame], most: int) -> Iterator[tuple[int, Movement, float]]:
    """Frames apart, the movement told, and px that it is off, of all that moved."""
    for n, a in enumerate(of):
        for apart, b in enumerate(of[n + 1 : n + 1 + most], 1):
            if math.hypot(b.x - a.x, b.y - a.y) > MOVED_PX:
                told = movement(a.seen, b.seen)
                yield apart, told, _off(told, a, b)


def tracked(of: list[Frame]) -> Iterator[tuple[int, bool, float]]:
    """Frames since the last sure place, whether it was followed, and px off."""
    rests = [
        n for n in range(3, len(of) - max(AHEAD))
        if all(math.hypot(of[m].x - of[m - 1].x, of[m].y - of[m - 1].y) < STEADY_PX
               for m in (n, n - 1))
    ]  # fmt: skip
    for begun in rests:
        track = Track()
        for n in range(begun - 3, begun + max(AHEAD) + 1):
            track.see(of[n].view, n / RATE)
            if n == begun:
                track.begin_anew(Place(0.0, 0.0))
            elif n > begun:
                x, y = of[n].x - of[begun].x, of[n].y - of[begun].y
                off = math.hypot(track.moved[0] - x, track.moved[1] - y)
                if math.hypot(x, y) > MOVED_PX:
                    yield n - begun, track.is_followed, off


def _counted(wrong: list[bool]) -> str:
    return f"{len(wrong):7d}{sum(wrong):7d}"


def report(quick: bool = False) -> str:
    """The study as text."""
    cv2.setNumThreads(1)
    seen = [frames(seed, memory) for seed, memory in (DIES[:1] if quick else DIES)]
    pairs = [one for of in seen for one in _pairs(of, 1 if quick else 7)]
    steps = [one for one in pairs if one[0] == 1]
    lines = [
        f"Live track: movements of {len(seen)} dies, {SIZE[0]} x {SIZE[1]} px; wrong: off by more than"
        f" {WRONG_PX:.0f} px",
        f"  {'no other reaches this part of the best':<42}{'':>6}{'told':>7}{'wrong':>7}",
    ]
    for part in PARTS:
        of = [off > WRONG_PX for _, told, off in steps if told.rival < part * told.height]
        lines.append(
            f"  of {len(steps)} steps from frame to frame{'':<12}{part:6.2f}{_counted(of)}"
        )
    for part in PARTS:
        of = [
            off > WRONG_PX for _, told, off in pairs
            if told.rival < part * told.height and told.height >= AT_ONCE_HEIGHT
            and told.common((SIZE[1], SIZE[0])) >= AT_ONCE_COMMON
        ]  # fmt: skip
        lines.append(
            f"  of {len(pairs)} over 1 to 7 frames at once{'':<8}{part:6.2f}{_counted(of)}"
        )
    followings = [one for of in seen for one in tracked(of)]
    for ahead in AHEAD:
        here = [one for one in followings if one[0] == ahead]
        of = [off > WRONG_PX for _, followed, off in here if followed]
        lines.append(
            f"  of {len(here)} as they are followed, frames since a rest{ahead:6d}{_counted(of)}"
        )
    return "\n".join(lines)
