"""How evenly a clip's frames follow one another, and how many different pictures a second it holds."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from glassay.motion.cadence import Repeats, Series
from glassay.quantity import Contribution, Quantity

GAP = 1.5
"""Intervals above this many usual ones hold missing frames."""

UNEVEN = 0.25
"""Part of the usual interval by which an interval may be off before it counts as irregular. Times
are kept in ms by some containers, which is 6 % of an interval at 60 frames a second."""


MOST_GAPS = 0.3
"""Where more intervals than this share are long, nothing is missing: the rate varies, as of telephones
in little light."""
LAST = (5.0, 95.0)
"""Percentiles of the intervals between which the last frame's, which no file states, is looked for."""


@dataclass(frozen=True)
class Intervals:
    """Intervals between frames: the usual one (s), its spread about it (s, of those without
    missing frames), frames missing in gaps, how many intervals are uneven, and between which limits (s)
    the last frame's lies."""

    usual_s: float
    spread_s: float
    missing: int
    uneven: int
    last_s: tuple[float, float] = (0.0, 0.0)

    @property
    def varies(self) -> bool:
        """Whether intervals differ so much that the last one cannot be told from the others."""
        return self.last_s[1] - self.last_s[0] > UNEVEN * self.usual_s


def look_at_intervals(times_s: Series) -> Intervals | None:
    """The intervals of two frames or more."""
    steps = np.diff(times_s)
    if steps.size == 0 or float(np.median(steps)) <= 0:
        return None
    usual = float(np.median(steps))
    ratio = steps / usual
    gaps = ratio > GAP
    gaps &= float(gaps.mean()) <= MOST_GAPS
    low, high = (float(s) for s in np.percentile(steps, LAST))
    missing = int(np.rint(ratio[gaps] - 1).sum())
    even = ratio[~gaps]
    return Intervals(
        usual_s=usual,
        spread_s=float(even.std() * usual) if even.size else 0.0,
        missing=missing,
        uneven=int((np.abs(even - 1) > UNEVEN).sum()),
        last_s=(low, high),
    )


def delivered_rate(
    repeats: Repeats, frames: int, duration_s: float, tick_s: float,
    intervals: Intervals | None = None,
) -> Quantity:  # fmt: skip
    """Different pictures per second of clip, 1/s; while the scene moves, where it does not always.

    Uncertainty: where a clip begins and ends within the rhythm of the sensor is left to chance, so
    the count may be off by part of a picture at either end (triangular, half-width one); without
    any repetition the time stamps alone (rounded to `tick_s`) tell the rate, and where intervals vary,
    how long the last frame lasts is not known. Frames of which it
    cannot be told whether they repeat count as a rectangular distribution of that half-width.
    """
    found = int(repeats.flags.sum())
    stretches = 1
    if repeats.standing is not None:
        duration_s *= (frames - repeats.still_frames) / frames
        frames -= repeats.still_frames
        stretches = 1 + int(np.count_nonzero(np.diff(repeats.standing.astype(np.int8)) == 1))
    rate = (frames - found) / duration_s
    parts = []
    if tick_s:
        stamps = rate * tick_s / math.sqrt(6) / duration_s
        parts.append(Contribution("rounding of time stamps", stamps, scope="capture"))
    if intervals is not None and intervals.varies:
        unknown = (intervals.last_s[1] - intervals.last_s[0]) / math.sqrt(12)
        parts.append(
            Contribution("length of the last frame", rate * unknown / duration_s, scope="capture")
        )
    if found:
        ends = math.sqrt(stretches / 6) / duration_s
        parts.append(Contribution("count at both ends", ends, scope="capture"))
    if repeats.u_count:
        count = repeats.u_count / duration_s
        parts.append(Contribution("telling repeated frames from new ones", count, scope="capture"))
    if repeats.doubtful:
        hidden = repeats.doubtful / math.sqrt(3) / duration_s
        parts.append(Contribution("repetitions that compression may hide", hidden, scope="setting"))
    return Quantity(rate, "1/s", tuple(parts))
