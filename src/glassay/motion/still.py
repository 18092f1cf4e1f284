"""One picture from the frames of a clip in which nothing moves."""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass

import numpy as np

from glassay.errors import NotMeasurable
from glassay.imaging.clip import ClipReader
from glassay.imaging.tone import FloatImage
from glassay.motion.steadiness import Follower

MOST_FRAMES = 16
"""Frames that are averaged: noise falls to a quarter, and little time passes for anything to move."""

MOVED_PX = 0.1
"""Averaging ends before the picture has moved by this much, which would blur it."""


@dataclass(frozen=True)
class Still:
    """Mean linear light (height, width) of the first so many `frames`."""

    grey: FloatImage
    frames: int


def mean_of_still_frames(clip: ClipReader) -> Still:
    """The mean of the clip's first frames, as far as nothing moves, at most `MOST_FRAMES`.

    Raises `NotMeasurable` when not one frame can be decoded.
    """
    follower, total, count = Follower(), None, 0
    with contextlib.closing(clip.frames()) as frames:
        for frame in frames:
            moved = math.hypot(*follower.follow(frame.luma))
            if total is not None and not moved < MOVED_PX:
                break
            light = frame.linear_grey()
            total = light.astype(np.float64) if total is None else total + light
            count += 1
            if count == MOST_FRAMES:
                break
    if total is None:
        raise NotMeasurable("not one frame of the clip can be decoded")
    return Still((total / count).astype(np.float32), count)
