"""The raster of a screen or a print that covers a whole photo: found, and smoothed away.

A photo of a microscope's screen shows the screen's own pixels. They are even and alike as no scale
is, so they would be taken for one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.imaging.tone import FloatImage

LONGEST_PERIOD_PX = 8.0
"""Rasters with a longer period are seen as what they are, and may be the object."""
TILE_PX = 256
TILES = 3
"""Tiles along each side, spread over the photo; they overlap in small ones."""
TILES_WITH_IT = 8
"""Of the nine tiles, those that must show the same peak: a scale, even a cross, leaves some empty."""
PEAK = 300.0
"""Power of the peak over the median of its surroundings. Textures reach 30, rasters a contrast of
3 % on noise of 2 % already 1000."""
PEAK_OF_LINES = 30.0
MOST_PARTS = 12
"""A peak is a harmonic, not a raster, when a fraction of its frequency down to one in so many stands
as high over its own surroundings, which textures reach at most, and higher than it."""
SAME_FREQUENCY = 0.03
"""Relative difference of the frequency between tiles that perspective may cause."""
LEAST_ANGLE = math.radians(20)
"""A raster runs in two directions, at least so far apart; the lines of a scale run in one."""
SECOND_POWER = 0.01
"""Least power of a raster's second direction over that of its first."""
SMOOTHING = 0.55
"""Standard deviation of the smoothing, in periods: what is left of the raster is 0.3 %."""


@dataclass(frozen=True)
class Raster:
    """A raster with the period `period_px` of its coarsest visible direction."""

    period_px: float

    def smoothed(self, light: FloatImage) -> FloatImage:
        """The photo without it, and without anything else as fine."""
        return np.asarray(cv2.GaussianBlur(light, (0, 0), SMOOTHING * self.period_px))


def find_raster(light: FloatImage) -> Raster | None:
    """The raster that covers `light` (height, width), None if there is none."""
    height, width = light.shape
    if min(height, width) < TILE_PX:
        return None
    window = np.hanning(TILE_PX)[:, None] * np.hanning(TILE_PX)[None, :]
    peaks = []
    for y in np.linspace(0, height - TILE_PX, TILES).astype(int):
        for x in np.linspace(0, width - TILE_PX, TILES).astype(int):
            tile = light[y : y + TILE_PX, x : x + TILE_PX].astype(np.float64)
            peaks.append(_peaks(fft.rfft2((tile - tile.mean()) * window)))
    candidates = [peak for found in peaks for peak in found]
    common = [one for one in candidates if _shared(one, peaks) >= TILES_WITH_IT]
    if not any(_across(one, other) for one in common for other in common):
        return None  # lines of one direction may be a scale that fills the photo
    return Raster(1 / min(math.hypot(*one) for one in common))


def _across(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether two frequencies belong to different directions of a raster."""
    cross = one[0] * other[1] - one[1] * other[0]
    return abs(cross) > math.sin(LEAST_ANGLE) * math.hypot(*one) * math.hypot(*other)


def _peaks(spectrum: npt.NDArray[np.complex128]) -> list[tuple[float, float]]:
    """Frequencies (x, y; cycles/px) of the sharp peaks beyond the longest period's."""
    power = np.abs(spectrum) ** 2
    fy = fft.fftfreq(TILE_PX)[:, None] * np.ones(power.shape[1])[None, :]
    fx = fft.rfftfreq(TILE_PX)[None, :] * np.ones(TILE_PX)[:, None]
    radius = np.hypot(fx, fy)
    fine = (radius > 1 / LONGEST_PERIOD_PX) & (radius < 0.5) & ~_on_compression_grid(fx, fy)
    ground = cv2.blur(np.log(power + 1e-20), (15, 15), borderType=cv2.BORDER_REFLECT)
    strong = fine & (np.log(power + 1e-20) > ground + math.log(PEAK))
    strong &= power > SECOND_POWER * power[fine].max()
    highest = power >= cv2.dilate(power, np.ones((5, 5), np.uint8))
    at = np.argwhere(strong & highest)
    clear = np.log(power + 1e-20) > ground + math.log(PEAK_OF_LINES)
    return [
        (float(fx[y, x]), float(fy[y, x])) for y, x in at
        if not _is_harmonic(np.where(clear, power, 0), float(fx[y, x]), float(fy[y, x]))
    ]  # fmt: skip


def _is_harmonic(clear: npt.NDArray[np.float64], fx: float, fy: float) -> bool:
    """Whether a whole fraction of the frequency stands out more strongly: lines that are coarser than
    a raster have harmonics as fine as one, also all over a photo."""
    own = _around(clear, fx, fy)
    return any(_around(clear, fx / part, fy / part) > own for part in range(2, MOST_PARTS + 1))


def _around(power: npt.NDArray[np.float64], fx: float, fy: float) -> float:
    """Highest power within a bin of a frequency."""
    x, y = round(fx * TILE_PX), round(fy * TILE_PX)
    rows = np.arange(y - 1, y + 2) % TILE_PX
    columns = np.clip(np.arange(x - 1, x + 2), 0, power.shape[1] - 1)
    return float(power[np.ix_(rows, columns)].max())


def _on_compression_grid(
    fx: npt.NDArray[np.float64], fy: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    """Where the 8 px blocks of JPEG leave traces."""
    bin_width = 1 / TILE_PX
    near = [np.abs(f * 8 - np.rint(f * 8)) / 8 < 1.5 * bin_width for f in (fx, fy)]
    return np.asarray(near[0] & near[1])


def _shared(one: tuple[float, float], peaks: list[list[tuple[float, float]]]) -> int:
    """How many tiles show a peak at much the same frequency."""
    allowed = SAME_FREQUENCY * math.hypot(*one) + 1.5 / TILE_PX

    def near(other: tuple[float, float]) -> bool:
        return math.hypot(other[0] - one[0], other[1] - one[1]) <= allowed

    return sum(any(near(other) for other in found) for found in peaks)
