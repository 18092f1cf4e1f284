"""Pitch of a single row, such as bond pads, in a strip that holds little else.

A strip a few pads high has no spectrum in two directions to speak of. Its mean along the short side
repeats with the pitch; which multiple of it is the pitch shows where the strip is most like itself
displaced. Phases along the row then refine it, and how the row climbs across the strip gives its tilt.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from glassay.distortion import Frame
from glassay.errors import NotMeasurable
from glassay.fitting import vertex
from glassay.imaging.tone import FloatImage
from glassay.lattice.peaks import MIN_PERIODS
from glassay.lattice.phase import Blocks, PhaseFit, fit_phase, waves

Array = npt.NDArray[np.float64]

STRIP = 3.0
"""Length over width from which a picture, or a box in one, may be the strip of a single row."""

SHORTEST_PX = 6.0
"""Least pitch, px: whatever repeats more finely than pads do is looked for as a lattice."""

ALIKE = 0.6
"""Least correlation of the strip with itself one pitch on (half of it: two and three). Of 92 strips cut
from photographs of other things only those of a brick wall, which is a row, reached it."""

FIRST = 0.85
"""The pitch is the shortest displacement that reaches this part of the best correlation."""

BLOCK_PERIODS = 0.8
"""Blocks hold two pitches (this times the periods that a lattice's blocks hold)."""

LEAST_AMPLITUDE = 0.05
"""Least amplitude of the pitch's own wave relative to the mean light."""

MOST_TILT_DEG = 15.0
"""A row that leans more leaves the strip of `STRIP` by its sides: atan(1 / 3) is 18 degrees."""


def fit_row(grey: FloatImage, frame: Frame) -> tuple[PhaseFit, Blocks, float, float]:
    """The row in a strip (height, width) that is longer than high, linear light, `frame` in its px.

    Returns the fit of its step along the strip, the blocks that it rests on, the tilt of the row
    (deg, clockwise) and the amplitude of its wave relative to the mean light. Raises `NotMeasurable`
    when no row runs along the strip.
    """
    pitch = _pitch_px(np.asarray(grey.mean(axis=0), np.float64))
    step = np.array([1 / pitch, 0.0])
    shape = grey.shape[0], grey.shape[1]
    side = max(16, math.ceil(2.5 * BLOCK_PERIODS * pitch))
    count = shape[1] // side
    middles = np.asarray((np.arange(count) + 0.5) * side - 0.5, np.float64)
    blocks = Blocks(shape[0], side, np.array([(shape[0] - 1) / 2]), middles, shape)
    wave = waves(np.ascontiguousarray(grey), step, blocks)
    amplitude = float(np.median(wave.amplitude))
    if amplitude < LEAST_AMPLITUDE:
        raise NotMeasurable("what repeats along the strip is too faint")
    return fit_phase(wave, step, blocks, frame), blocks, _tilt_deg(grey, pitch), amplitude


def _pitch_px(profile: Array) -> float:
    """The pitch to a few percent: the shortest displacement at which the strip is like itself."""
    from scipy.signal import find_peaks  # scipy.stats comes with it: a second of loading

    x = np.linspace(-1, 1, profile.size)
    rest = profile - np.polyval(np.polyfit(x, profile, 2), x)
    longest = profile.size // MIN_PERIODS
    lags = np.arange(longest + 2)
    alike = np.array([_correlation(rest, int(lag)) for lag in lags])
    tops, _ = find_peaks(alike)
    tops = tops[(tops >= SHORTEST_PX) & (alike[tops] >= ALIKE)]
    if not tops.size:
        raise NotMeasurable("nothing repeats evenly along the strip")
    first = int(tops[alike[tops] >= FIRST * alike[tops].max()][0])
    if min(_correlation(rest, many * first) for many in (2, 3)) < ALIKE / 2:
        raise NotMeasurable("nothing repeats evenly along the strip")
    return first + vertex(*(float(value) for value in alike[first - 1 : first + 2]))


def _correlation(rest: Array, lag: int) -> float:
    one, other = rest[: rest.size - lag], rest[lag:]
    return float((one * other).sum() / max(math.sqrt((one**2).sum() * (other**2).sum()), 1e-30))


def _tilt_deg(grey: FloatImage, pitch: float) -> float:
    """How the row climbs: the height of what differs from the ground, pitch by pitch along it."""
    count = int(grey.shape[1] / pitch)
    ground = np.median(grey)
    heights = np.arange(grey.shape[0], dtype=np.float64)
    places, centres = [], []
    for number in range(count):
        part = grey[:, round(number * pitch) : round((number + 1) * pitch)]
        weight = np.clip(
            np.abs(part - ground).mean(axis=1) - 0.1 * np.abs(part - ground).max(), 0, None
        )
        if weight.sum() > 0:
            places.append((number + 0.5) * pitch)
            centres.append(float((weight * heights).sum() / weight.sum()))
    if len(places) < MIN_PERIODS:
        raise NotMeasurable("the row in the strip cannot be followed")
    t, y = np.array(places), np.array(centres)
    slopes = [(y[j] - y[i]) / (t[j] - t[i]) for i in range(t.size) for j in range(i + 1, t.size)]
    tilt = math.degrees(math.atan(float(np.median(slopes))))  # robust line of Theil and Sen
    if abs(tilt) > MOST_TILT_DEG:
        raise NotMeasurable("the row does not run along the strip")
    return tilt
