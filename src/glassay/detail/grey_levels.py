"""Whether a picture holds enough grey levels for the shape of an edge to be told."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage

SAMPLED_PX = 1_000_000
FEWEST_LEVELS = 11
"""Of 256, after the square root, that must occur between the 0.5th and the 99.5th percentile. A
blurred edge in 4 to 8 levels (a palette, a poster effect) is stairs, whose steps are as sharp as the
px: a limit of 0.285 cycles/px was told as 0.55 and 0.87. In 16 it was told rightly."""
WITHIN = (0.5, 99.5)
CUT_SHARE, BETWEEN = 0.005, 0.5
"""Part of the px that is black, and part that is white, from which light is cut off at both ends; and
px between, over the rarer of both, below which edges are, too: lines whose contrast was raised
twelvefold had 0.2 (told as 0.88 +- 0.26 cycles/px where 0.285 is true), sixfold 0.4 and threefold 1.7
(0.52 +- 0.36)."""


def check_palette(facts: Mapping[str, Any]) -> None:
    """Raise `NotMeasurable` for a photo whose file (`Photo.facts`) holds a palette of colours."""
    colours = facts.get("palette")
    if colours is not None:
        raise NotMeasurable(
            f"the file holds a palette of {colours} colours, to the nearest of which every px was"
            " moved: edges are stairs then, as sharp as its px; save the photo without a palette"
        )


def check_levels(light: FloatImage) -> None:
    """Raise `NotMeasurable` where linear light (height, width), 0..1, comes in a few levels only."""
    step = max(1, int((light.size / SAMPLED_PX) ** 0.5))
    level = np.round(255 * np.sqrt(np.clip(light[::step, ::step], 0, 1))).astype(np.uint8)
    black, white = float((level == 0).mean()), float((level == 255).mean())
    rarer = min(black, white)
    if rarer > CUT_SHARE and 1 - black - white < BETWEEN * rarer:
        raise NotMeasurable(
            "nearly all of the picture is black or white, cut off at both ends, as where contrast was"
            " raised: its edges are steeper than the camera's"
        )
    low, high = np.percentile(level, WITHIN).astype(int)
    count = int((np.bincount(level.ravel(), minlength=256)[low : high + 1] > 0).sum())
    if count < FEWEST_LEVELS and count < (high - low + 1) / 2:
        raise NotMeasurable(
            f"the picture holds only {count} grey levels where it has room for {high - low + 1}, as"
            " after a palette or a poster effect: edges are stairs then, as sharp as its px"
        )
