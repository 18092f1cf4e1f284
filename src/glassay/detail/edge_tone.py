"""One edge as other tone curves would show it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from glassay.detail.edge_line import EdgeLine, Samples
from glassay.detail.edge_spline import Float
from glassay.detail.edge_spread import ANALYSIS_FREQUENCY, EdgeSpread, spread_edge
from glassay.errors import NotMeasurable
from glassay.imaging.tone import Relight


@dataclass(frozen=True)
class Toned:
    """What an edge would be found to be under another tone curve; NaN where it would not be found.

    Frequencies in cycles/px, `width` in px; `modulation` at `ANALYSIS_FREQUENCY`.
    """

    frequency_50: float
    frequency_10: float
    width: float
    overshoot: float
    modulation: Float


def under_other_tones(
    samples: Samples, line: EdgeLine, half_width: float, tones: Sequence[Relight]
) -> tuple[Toned, ...]:
    """The edge at `line` measured again with its light under each of `tones`."""
    found = []
    for relight in tones:
        light = Samples(samples.x, samples.y, relight(samples.value))
        try:
            found.append(_read(spread_edge(light, line, half_width)))
        except NotMeasurable:  # a curve under which the edge cannot be read says nothing of it
            found.append(NOTHING)
    return tuple(found)


NOTHING = Toned(math.nan, math.nan, math.nan, math.nan, np.full(len(ANALYSIS_FREQUENCY), np.nan))


def _read(spread: EdgeSpread) -> Toned:
    half, tenth = (_frequency(spread, level) for level in (0.5, 0.1))
    return Toned(half, tenth, spread.width_10_90()[0], spread.overshoot, spread.modulation)


def _frequency(spread: EdgeSpread, level: float) -> float:
    try:
        return spread.frequency_at(level)[0]
    except NotMeasurable:
        return math.nan
