"""Flicker: how the light of a clip swings from frame to frame."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from glassay.fitting import CHANCE
from glassay.quantity import Quantity

Series = npt.NDArray[np.float64]

ENOUGH_FRAMES = 8
"""A swing has three unknowns beside mean and drift; three frames more tell it from noise."""

MOST_FRAMES = 3000
"""Frames from the first in which a frequency is looked for: 100 s at 30 a second. Lamps go on as they
are, and what it takes, frequencies times frames, grows with the square of the clip's length."""
AT_ONCE = 1_000_000
"""Products of frequencies and frames that are held at once: a few tens of MB."""


CODED = 0.002
"""Standard uncertainty of flicker (relative) in clips whose frames are predicted from one another:
frames coded in one way come out lighter than others. H.264 clips of textures in constant light, drawn
outside this project's simulator, swung by 0.0006 to 0.003, at the rate over 4 and 2 for the most
part."""


@dataclass(frozen=True)
class Flicker:
    """`amplitude` (relative): that of a sine with the same rms about the slow trend of the light.
    `frequency` (1/s) of its strongest swing as the clip shows it, None when none stands out."""

    amplitude: Quantity
    frequency: Quantity | None


def measure_flicker(
    times_s: Series, levels: Series, coded: npt.NDArray[np.int64] | None = None
) -> Flicker | None:
    """Flicker of the mean linear light of each frame; None for few frames or no light.

    A parabola in time is taken out first: slow changes are exposure control, not flicker. Light
    that swings faster than half the frame rate appears at a lower frequency. `coded` tells in which way
    each frame was coded: where there are several, what the coding may do is in the uncertainty, and a
    swing that it may have made is given no frequency.
    """
    if levels.size < ENOUGH_FRAMES or not float(levels.mean()) > 0:
        return None
    t = times_s - times_s.mean()
    span = float(np.ptp(t))
    if span <= 0:
        return None
    scaled = 2 * t / span
    trend = np.polynomial.Polynomial.fit(scaled, levels, 2, domain=[-1, 1])(scaled)
    swing = levels / trend - 1
    freedom = levels.size - 3
    rms = math.sqrt(float(swing @ swing) / freedom)
    amplitude = Quantity.of(
        math.sqrt(2) * rms, math.sqrt(2) * rms / math.sqrt(2 * freedom), "1",
        "length of the clip", float(freedom),
    )  # fmt: skip
    by_codec = 0.0 if coded is None else _by_codec(swing, coded)
    if by_codec:
        amplitude = amplitude.with_contribution("coding of the frames", by_codec, scope="setting")
        if amplitude.value <= amplitude.expanded:
            return Flicker(amplitude, None)
    return Flicker(amplitude, _frequency(t, swing, span))


def _by_codec(swing: Series, coded: npt.NDArray[np.int64]) -> float:
    """Standard uncertainty for what the ways in which frames are coded do; 0 where there is one way.

    `CODED`, or what the ways' own means swing by, if that is more and no chance.
    """
    kinds, kind, count = np.unique(coded, return_inverse=True, return_counts=True)
    if kinds.size < 2:
        return 0.0
    means = np.bincount(kind, swing) / count
    by_kind = means[kind]
    rest = swing - by_kind
    by_chance = (kinds.size - 1) * float(rest @ rest) / max(1, swing.size - kinds.size)
    seen = max(float(by_kind @ by_kind) - 3 * by_chance, 0.0) / swing.size
    return max(CODED, math.sqrt(2 * seen))


def _frequency(t: Series, swing: Series, span: float) -> Quantity | None:
    from scipy.signal import lombscargle  # a second of loading; most of a run measures no clip

    if t.size > MOST_FRAMES:
        t, swing = t[:MOST_FRAMES] - t[:MOST_FRAMES].mean(), swing[:MOST_FRAMES]
        span = float(np.ptp(t))
    power = float(swing @ swing)
    top = (t.size - 1) / span / 2
    if power == 0 or top <= 1.5 / span:
        return None
    f = np.arange(1.0 / span, top, 0.1 / span)
    parts = np.array_split(2 * np.pi * f, -(-f.size * t.size // AT_ONCE))
    spectrum = np.concatenate([lombscargle(t, swing, part) for part in parts])
    peak = int(np.argmax(spectrum))
    share = 2 * float(spectrum[peak]) / power  # of the variance, 1 for a pure sine
    trials = max(1.0, top * span)
    chance = trials * (1 - min(share, 1 - 1e-12)) ** ((t.size - 3) / 2)  # Baluev 2008, from memory
    if chance > CHANCE:
        return None
    rest = math.sqrt(max(power * (1 - share), 0) / t.size)
    size = math.sqrt(2 * power * share / t.size)
    # Bound of a sine's frequency in white noise (Rife and Boorstyn 1974), never below a tenth of
    # the grid.
    u = math.sqrt(6 / t.size) * rest / (math.pi * span * size)
    return Quantity.of(float(f[peak]), max(u, 0.03 / span), "1/s", "length of the clip")
