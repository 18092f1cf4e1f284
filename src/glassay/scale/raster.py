"""The raster of a screen or a print that covers a whole photo: found, and smoothed away.

A photo of a microscope's screen shows the screen's own pixels. They are even and alike as no scale
is, so they would be taken for one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.fitting import vertex
from glassay.imaging.tone import FloatImage

Float = npt.NDArray[np.float64]

LONGEST_PERIOD_PX = 8.0
"""Rasters with a longer period are seen as what they are, and may be the object."""
TILE_SIDES_PX = (256, 128)
TILES = 3
"""Side of the tiles, the smaller one in photos that hold no larger; tiles along each side, spread over
the photo; they overlap in small ones."""
TILES_WITH_IT = 8
"""Of the nine tiles, those that must show the same peak: a scale, even a cross, leaves some empty."""
PEAK = 300.0
"""Power of the peak over the median of its surroundings. Textures reach 30, rasters a contrast of
3 % on noise of 2 % already 1000."""
PEAK_OF_LINES = 30.0
MOST_PARTS = 8
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
    side = next((side for side in TILE_SIDES_PX if side <= min(height, width)), None)
    if side is None:
        return None
    window = np.hanning(side)[:, None] * np.hanning(side)[None, :]
    peaks, coarser = [], []
    for y in np.linspace(0, height - side, TILES).astype(int):
        for x in np.linspace(0, width - side, TILES).astype(int):
            tile = light[y : y + side, x : x + side].astype(np.float64)
            found = _peaks(fft.rfft2((tile - tile.mean()) * window))
            peaks.append(found[0])
            coarser.append(found[1])
    common, grid = _common(peaks, side), _common(coarser, side)
    if any(_across(one, other) for one in grid for other in grid):
        return None  # a grid or halftone all over the photo, with fine harmonics of its own
    if not any(_across(one, other) for one in common for other in common):
        return None  # lines of one direction may be a scale that fills the photo
    return Raster(1 / min(math.hypot(*one) for one in common))


def _across(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether two frequencies belong to different directions of a raster."""
    cross = one[0] * other[1] - one[1] * other[0]
    return abs(cross) > math.sin(LEAST_ANGLE) * math.hypot(*one) * math.hypot(*other)


def _common(peaks: list[list[tuple[float, float]]], side: int) -> list[tuple[float, float]]:
    """The peaks that all or nearly all tiles share."""
    return [one for found in peaks for one in found if _shared(one, peaks, side) >= TILES_WITH_IT]


def _peaks(
    spectrum: npt.NDArray[np.complex128],
) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
    """Frequencies (x, y; cycles/px) of the sharp peaks beyond the longest period's, and of those
    coarser ones that are stronger."""
    power = np.abs(spectrum) ** 2
    fx, fy, radius, fine = _frequencies(len(power))
    level = np.log(power + 1e-20)
    ground = cv2.blur(level, (15, 15), borderType=cv2.BORDER_REFLECT)
    strong = fine & (level > ground + math.log(PEAK))
    strong &= power > SECOND_POWER * power[fine].max()
    highest = power >= cv2.dilate(power, np.ones((5, 5), np.uint8))
    clear = highest & (level > ground + math.log(PEAK_OF_LINES))
    clear[0, 0] = False
    lines = np.array([_refined(level, y, x) for y, x in np.argwhere(clear)]).reshape(-1, 2)
    fine_ones = [
        (y, x) for y, x in np.argwhere(strong & highest)
        if not _is_harmonic(_refined(level, y, x), lines[power[clear] > power[y, x]])
    ]  # fmt: skip
    strongest = max((float(power[y, x]) for y, x in fine_ones), default=np.inf)
    coarse = clear & (radius <= 1 / LONGEST_PERIOD_PX) & (power > strongest)
    return (
        [(float(fx[y, x]), float(fy[y, x])) for y, x in fine_ones],
        [(float(fx[y, x]), float(fy[y, x])) for y, x in np.argwhere(coarse)],
    )


@lru_cache(maxsize=len(TILE_SIDES_PX))
def _frequencies(side: int) -> tuple[Float, Float, Float, npt.NDArray[np.bool_]]:
    """Frequencies along x, along y and of any direction (cycles/px) in the half spectrum of a tile of
    this side, (side, side // 2 + 1), and which are those of rasters."""
    fy = fft.fftfreq(side)[:, None] * np.ones(side // 2 + 1)[None, :]
    fx = fft.rfftfreq(side)[None, :] * np.ones(side)[:, None]
    radius = np.hypot(fx, fy)
    fine = (radius > 1 / LONGEST_PERIOD_PX) & (radius < 0.5) & ~_on_compression_grid(fx, fy, side)
    return fx, fy, radius, fine


def _refined(level: Float, y: int, x: int) -> Float:
    """A peak's place (x, y) in bins, by parabolas through the logarithms `level` of its neighbours;
    negative y for the upper half."""
    side, last = level.shape[0], level.shape[1] - 1
    beside = vertex(level[y, abs(x - 1)], level[y, x], level[y, min(x + 1, last)])
    above = vertex(level[(y - 1) % side, x], level[y, x], level[(y + 1) % side, x])
    return np.array([x + beside, (y - side if y > side // 2 else y) + above])


def _is_harmonic(peak: Float, stronger: Float) -> bool:
    """Whether a peak is a whole multiple of one of those that are stronger (n, 2): lines that are
    coarser than a raster have harmonics as fine as one, also all over a photo."""
    parts = np.arange(2.0, MOST_PARTS + 1)
    senses = np.concatenate([parts, -parts])  # the other half of the plane, for upright lines
    off = np.abs(senses[:, None, None] * stronger - peak).max(axis=2)
    return bool((off < 0.3 + 0.15 * np.abs(senses)[:, None]).any())


def _on_compression_grid(fx: Float, fy: Float, side: int) -> npt.NDArray[np.bool_]:
    """Where the 8 px blocks of JPEG leave traces."""
    bin_width = 1 / side
    near = [np.abs(f * 8 - np.rint(f * 8)) / 8 < 1.5 * bin_width for f in (fx, fy)]
    return np.asarray(near[0] & near[1])


def _shared(one: tuple[float, float], peaks: list[list[tuple[float, float]]], side: int) -> int:
    """How many tiles show a peak at much the same frequency."""
    allowed = SAME_FREQUENCY * math.hypot(*one) + 1.5 / side

    def near(other: tuple[float, float]) -> bool:
        return math.hypot(other[0] - one[0], other[1] - one[1]) <= allowed

    return sum(any(near(other) for other in found) for found in peaks)
