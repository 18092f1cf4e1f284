"""Where a true response falls to a tenth, as far as pixels can show it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

NYQUIST = 0.5
"""The highest frequency that pixels carry, cycles/px."""

Curve = npt.NDArray[np.float64]


def tenth_of(frequency: Curve, response: npt.NDArray[np.number]) -> float:
    """The first of `frequency` (n), cycles/px, at which the response is below 0.1; no more than 0.5."""
    below = np.abs(response) < 0.1
    return min(float(frequency[np.argmax(below)]), NYQUIST) if below.any() else NYQUIST
