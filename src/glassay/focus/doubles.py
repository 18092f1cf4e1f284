"""Photos of a focus run that are no step on: copies, one height taken twice, and a way back."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.focus.curve import SECOND_PEAK, Peak
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

FLANK = 0.2
"""Share of the peak down to which contrast is compared: below, noise and side lobes make it."""

SAME_SHARE = 0.1
"""Change of contrast between two photos over that between those around, below which they are of one
height. Steps by hand scatter by 0.3 each: 2 % of them come out so, and then are of one height."""

ABOUT_THE_PEAK = 1.0
"""Frames from best focus within which contrast hardly changes, so that nothing tells heights apart."""

FEWEST_AROUND = 2
"""Steps on the same side of best focus that a step is held against."""

SHARP_TWICE = 0.7
"""Share of the parts with detail that must be sharp both times for a way back: of an object of two
heights each part is sharp once."""

NEAR_FRAMES = 2
"""Frames about a peak of the whole in which that of a part is looked for."""


def fingerprint(frame: FloatImage) -> bytes:
    """Equal for pictures that are equal pixel for pixel, and for no others."""
    return hashlib.blake2b(np.ascontiguousarray(frame).data, digest_size=16).digest()


def refuse_copies(prints: Sequence[bytes], names: Sequence[str]) -> None:
    """Raises NotMeasurable, by name, where two photos of a run are equal pixel for pixel: a copy is no
    step of focus, and the camera makes none."""
    seen: dict[bytes, int] = {}
    for at, one in enumerate(prints):
        first = seen.setdefault(one, at)
        if first != at:
            both = [f"photo {n + 1}" + (f" ({names[n]})" if names else "") for n in (first, at)]
            raise NotMeasurable(
                f"{both[0]} and {both[1]} are identical pixel for pixel: a copied file would count as"
                " a step of focus; leave one out"
            )


def same_heights(curves: Array, peak: Peak) -> list[int]:
    """Photos n, counted from 0, that differ from the next by noise alone while those around differ by
    more. `curves` (frames, frequencies) is contrast, the frequency that is judged first.

    About best focus nothing tells, see `ABOUT_THE_PEAK`.
    """
    scaled = curves / np.maximum(curves.max(axis=0), 1e-12)
    changes = np.abs(np.diff(scaled, axis=0)).sum(axis=1)
    clear = curves[:, 0] > FLANK * peak.top
    best = int(np.clip(round(peak.place.value), 0, len(curves) - 1))
    out = []
    for n in range(len(changes)):
        away = n + 0.5 - peak.place.value
        within = clear[min(n, best) : max(n + 1, best) + 1].all()
        if abs(away) < ABOUT_THE_PEAK or not within:
            continue
        around = [
            changes[m] for m in (n - 2, n - 1, n + 1, n + 2)
            if 0 <= m < len(changes) and (m + 0.5 - peak.place.value) * away > 0
        ]  # fmt: skip
        if len(around) >= FEWEST_AROUND and changes[n] < SAME_SHARE * float(np.median(around)):
            out.append(n)
    return out


def goes_back(contrast: Array, tiles: Array, peak: Peak) -> bool:
    """Whether every part of the picture, `tiles` (frames, parts), is sharp at both peaks of the whole:
    so does a run that goes there and back; of an object of two heights each part is sharp once."""
    if not tiles.size or not peak.has_second:
        return False
    outside = contrast.copy()
    outside[int(np.floor(peak.low)) + 1 : int(np.ceil(peak.high))] = 0
    again = []
    for at in (int(np.argmax(contrast)), int(np.argmax(outside))):
        near = tiles[max(0, at - NEAR_FRAMES) : at + NEAR_FRAMES + 1]
        again.append(near.max(axis=0) > SECOND_PEAK * tiles.max(axis=0))
    return float(np.mean(again[0] & again[1])) > SHARP_TWICE
