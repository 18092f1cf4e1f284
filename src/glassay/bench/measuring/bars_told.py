"""The frequency at which the bars of a target fall to a modulation, from what its elements showed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from glassay.quantity import Quantity
from glassay.tone_doubt import with_tone

MODULATION_OF_BARS = math.pi / 4
"""Modulation of a sine for each contrast of bars as wide as their gaps, where the lens passes no
harmonic of theirs (Coltman 1954, from memory)."""

THREE_BARS_U = 0.03
"""Relative standard uncertainty of the frequency where three bars, in place of many, reach a
contrast. One simulated target agreed to 3 % with the edges of the same setting; it is no study."""


def bars_told(
    elements: Sequence[Mapping[str, Any]], modulation: float
) -> tuple[Quantity, bool] | None:
    """The frequency (lp/mm) at which bars fall to `modulation`, and whether they never do so.

    `elements` from coarse to fine, as evidence of a bar target holds them. Between two elements the
    contrast is taken to fall evenly with the logarithm of the frequency. A single coarser element
    that fails (dust on it) does not count, two in succession end the run. The lower contrast of the
    two directions counts. None when the coarsest ones fail already.
    """
    level = modulation / MODULATION_OF_BARS
    usual = [
        (float(e["frequency"]), *min((float(e[k]["contrast"]), float(e[k]["contrast_u"]))
                                     for k in DIRECTIONS))
        for e in elements if all(e[k]["contrast"] is not None for k in DIRECTIONS)
    ]  # fmt: skip
    own, own_u = _own_contrast([contrast for _, contrast, _ in usual])
    level = modulation / MODULATION_OF_BARS * own
    told = _fallen_to(usual, level)
    if told is None:
        return None
    frequency, noise, is_least = told
    others = []
    for tone in range(min((len(e[k].get("toned", ())) for e in elements for k in DIRECTIONS
                           if e[k]["contrast"] is not None), default=0)):  # fmt: skip
        read = [
            (float(e["frequency"]), min(float(e[k]["toned"][tone]) for k in DIRECTIONS), 0.0)
            for e in elements if all(e[k]["contrast"] is not None for k in DIRECTIONS)
        ]  # fmt: skip
        own_then, _ = _own_contrast([contrast for _, contrast, _ in read])
        other = _fallen_to(read, level * own_then / own)
        others.append(math.nan if other is None else other[0])
    found = Quantity.of(frequency, noise, "lp/mm", "contrast of the bars")
    found = found.with_contribution("three bars for many", THREE_BARS_U * frequency)
    ends = [_fallen_to(usual, level * (1 + side * own_u / own)) for side in (-1, 1)]
    if not is_least and all(ends):
        low, high = (end[0] for end in ends if end is not None)
        found = found.with_contribution("the target's own contrast", abs(high - low) / 2)
    return with_tone(found, others), is_least


def _own_contrast(contrasts: Sequence[float]) -> tuple[float, float]:
    """Contrast of the target itself, (bright - dark) / (bright + dark), and its u.

    Where the coarsest bars in view no longer differ, the lens takes nothing from them. Otherwise it
    lies between what is seen, or the least that targets have, and 1, each value equally likely.
    """
    highest = min(max(contrasts, default=1.0), 1.0)
    coarse = contrasts[:COARSEST]
    if len(coarse) == COARSEST and min(coarse) > (1 - LEVEL_OFF) * highest:
        return highest, LEVEL_OFF * highest / math.sqrt(3)
    least = max(highest, LEAST_CONTRAST)
    return (1 + least) / 2, (1 - least) / (2 * math.sqrt(3))


COARSEST, LEVEL_OFF = 4, 0.02
"""Coarsest elements that must agree to this share: over so many a circular pupil takes 3 % of a
contrast that it has lowered to 0.9."""

LEAST_CONTRAST = 0.8
"""Least contrast of a target (common practice, no source: chromium on glass has more)."""

DIRECTIONS = ("upright", "level")


def _fallen_to(
    read: Sequence[tuple[float, float, float]], level: float
) -> tuple[float, float, bool] | None:
    """Where contrast falls to the level, its u, and whether it never does so; None where the coarsest
    fail already. `read` holds frequency, contrast and the contrast's u from coarse to fine."""
    last, fails = None, 0
    for i, (_, value, _) in enumerate(read):
        fails = 0 if value >= level else fails + 1
        if fails == 2:
            break
        last = i if not fails else last
    if last is None:
        return None
    f0, c0, u0 = read[last]
    if last + 1 == len(read):
        return f0, 0.0, True
    f1, c1, u1 = read[last + 1]
    octaves, share = math.log(f1 / f0), (c0 - level) / (c0 - c1)
    frequency = f0 * math.exp(octaves * share)
    noise = math.hypot((1 - share) * u0, share * u1) / (c0 - c1) * octaves * frequency
    return frequency, noise, False
