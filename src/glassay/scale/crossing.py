"""Lines that cross the ones found, as far apart: then they are a grid of lines, as on a chamber."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.fitting import block_mean
from glassay.imaging.tone import FloatImage
from glassay.scale.result import View
from glassay.scale.search import SEARCH_PIXELS, Sighting, rows_along

SAME_PITCH = 0.03
"""Relative difference of the two pitches that perspective and distortion may make between the parts
of a photo where they are seen."""
FEWEST = 4
"""Lines of the second direction that must be seen."""
FINER_ALIKE = 0.8
"""How well the ground between boundary lines must follow a wave of the division's length."""
CROSSED_SHARE = 0.3
"""How far (divisions) from a line that crosses them others are not themselves: boundary lines of three
strokes reach 0.2 to either side, and blur adds to it."""
BAND_ROWS = 256
"""Rows judged at once, for memory alone."""


def find_crossing(
    view: View, row: Sighting, division_px: float, boundary_every: int
) -> Sighting | None:
    """Evenly spaced lines of the same division across those of `row`, as such lines; None without.

    Where only the boundary lines of the second direction are found, every so many, the finer ones must
    be seen between them.
    """
    factor = max(1, math.ceil(math.sqrt(view.light.size / SEARCH_PIXELS)))
    small = block_mean(view.light, factor)
    mask = view.mask
    if mask is not None:
        mask = mask[::factor, ::factor][: small.shape[0], : small.shape[1]]
    across = (row.angle + math.pi) % math.pi - math.pi / 2
    for other in rows_along(small, mask, across):
        ratio = other.period * factor / division_px
        if len(other.numbers) < FEWEST:
            continue
        if abs(ratio - 1) < SAME_PITCH:
            return other.enlarged(factor)
        coarse = abs(ratio / boundary_every - 1) < SAME_PITCH
        if coarse and holds_finer(other.waveform, boundary_every):
            powers = float(boundary_every) ** np.arange(len(other.place) - 1, -1, -1)
            return replace(other, place=other.place / powers).enlarged(factor)
    return None


def holds_finer(waveform: npt.NDArray[Any], every: int) -> bool:
    """Whether lines a division apart stand between boundary lines, `every` so many, of which this is
    the mean waveform."""
    away = np.abs(waveform - np.median(waveform))
    at = np.arange(len(waveform)) / len(waveform)
    top = np.maximum(away - away.max() / 2, 0) * np.exp(2j * np.pi * at)
    at = (at - np.angle(top.sum()) / (2 * np.pi) + 0.5) % 1 - 0.5  # from the boundary's middle
    between = np.abs(at) > 0.75 / every
    value = waveform[between]
    wave = np.cos(2 * np.pi * every * at[between])
    if waveform[int(away.argmax())] < np.median(waveform):
        wave = -wave
    value, wave = value - value.mean(), wave - wave.mean()
    size = math.sqrt(float((value**2).sum() * (wave**2).sum()))
    return size > 0 and float((value * wave).sum()) / size > FINER_ALIKE


def between_crossings(
    light: FloatImage, mask: npt.NDArray[np.uint8] | None, crossing: Sighting
) -> npt.NDArray[np.uint8]:
    """The photo's mask without the px near the lines of `crossing`."""
    height, width = light.shape
    clear = np.empty((height, width), np.uint8)
    c, s = math.cos(crossing.angle), math.sin(crossing.angle)
    slope = np.polyval(np.polyder(crossing.place), float(np.median(crossing.numbers)))
    reach = math.ceil(math.hypot(height, width) / abs(float(slope)))
    middle = int(np.median(crossing.numbers))
    numbers = np.arange(middle - reach, middle + reach + 1, dtype=np.float64)
    places = np.polyval(crossing.place, numbers)
    x = (np.arange(width) - (width - 1) / 2) * c
    rising = np.diff(places) > 0
    numbers, places = numbers[1:][rising], places[1:][rising]
    for top in range(0, height, BAND_ROWS):
        y = (np.arange(top, min(top + BAND_ROWS, height)) - (height - 1) / 2) * s
        number = np.interp(x[None, :] + y[:, None], places, numbers)
        clear[top : top + BAND_ROWS] = np.abs(number - np.rint(number)) > CROSSED_SHARE
    return clear if mask is None else clear * (mask > 0)
