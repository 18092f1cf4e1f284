"""What a result owes to a tone curve that was only assumed.

Light is had from stored values by a curve. Where nobody states it, sRGB is assumed, and the
measurement is made again as it would be under other curves that cameras have (`OTHER_TONES`). The
result keeps the value under sRGB, the likeliest; how far the others reach either side enters its
uncertainty: with every value between the furthest ones equally likely (a rectangular distribution,
JCGM 100:2008, 4.3.7), u is the root of the mean square distance from the value kept,

    u^2 = (below^2 - below above + above^2) / 3,

which for equal reaches a is the usual a^2 / 3.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from glassay.quantity import Quantity

SOURCE = "tone curve assumed"
"""Name of the contribution. The curve is the camera's: one setting shares it."""


def tone_u(value: float, others: Sequence[float]) -> float:
    """Signed standard uncertainty of `value` from what other curves would give (NaN: nothing).

    The sign is that of the side to which most curves pull, so that quantities pulled oppositely by
    one curve are known to be.
    """
    off = [float(other) - value for other in others if math.isfinite(other)]
    below, above = max(0.0, -min(off, default=0.0)), max(0.0, max(off, default=0.0))
    u = math.sqrt((below**2 - below * above + above**2) / 3)
    return math.copysign(u, float(np.sum(off))) if off else 0.0


def with_tone(quantity: Quantity, others: Sequence[float]) -> Quantity:
    """The quantity with the contribution of the assumed curve, where there is one."""
    u = tone_u(quantity.value, others)
    return quantity.with_contribution(SOURCE, u, scope="setting") if u else quantity
