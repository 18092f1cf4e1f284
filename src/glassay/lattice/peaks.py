"""Peaks of a picture's spectrum: the reciprocal lattice of whatever repeats in it.

The spectrum is averaged over tiles, so that a lattice is found wherever in the picture it lies and
distortion does not smear it. What edges leave in the spectrum (streaks across their direction) is
told from peaks by comparing each place with its neighbourhood in every direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft
from scipy.ndimage import maximum_filter

from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

TILE_PX = 512
SMALLEST_TILE_PX = 24
MOST_TILES = 36
"""Tiles looked at, spread over the picture: more add time and hardly any certainty."""

MIN_PERIOD_PX = 2.6
"""Below this a pattern cannot be told from a finer one seen as moire."""

HIGHEST = 0.49
"""Highest frequency looked at, cycles/px. What lies above `MIN_PERIOD_PX` is looked at too, because
there it shows whether lower peaks are moire."""

MIN_PERIODS = 5
"""Periods that a tile must hold at least: fewer are not told from a few big shapes."""

STRENGTH = 8.0
"""Power of a peak over its surroundings. Noise averaged over the tiles reaches 3, the spectra of
chips without a lattice 6 to 7."""

CLEAN = 1e-6
"""Power over the largest below which nothing counts as surroundings of a peak: in a clean drawing the
faintest of many stands out of next to nothing, and would leave no place for the strongest."""

MOST_PEAKS = 24
"""A lattice has twelve waves up to the second order in half a plane; as many again are left for what
stands beside it."""

OPPOSED = -0.3
"""Correlation of two colours at a peak below which they are taken to alternate there."""

HALF_TURN_DEG = 35.0
"""How far from half a period two colours that alternate may be displaced: those of a mosaic of two by
two are at half a period, those of a screen's red, green and blue stripes at a third (60 deg off)."""

COLOURLESS = 0.01
"""Rms difference of the colours, each over its mean, of a picture that counts as grey: a grey camera's
stored in three colours differs by none, one from a colour camera by its noise at least."""


@dataclass(frozen=True)
class Peak:
    """One peak: its frequency (cycles/px along columns and rows), power over its surroundings,
    amplitude (of the wave, relative to the mean light); for colour pictures whether colours
    alternate there, and the amplitude of each."""

    frequency: Array
    strength: float
    amplitude: float
    alternates: bool | None
    colours: tuple[float, ...] | None = None

    @property
    def length(self) -> float:
        """Cycles/px along its direction."""
        return float(np.hypot(*self.frequency))


def find_peaks(image: FloatImage) -> list[Peak]:
    """Peaks of the picture's spectrum, strongest first, one of each pair of opposites.

    `image` (height, width) or (height, width, 3), linear light. Raises `NotMeasurable` for a
    picture that is too small or a single shade.
    """
    height, width = image.shape[:2]
    tile = tile_of(height, width)
    planes = image[..., None] if image.ndim == 2 else image
    if planes.shape[2] == 3 and is_colourless(planes):
        planes = planes[..., 1:2]
    if float(np.ptp(planes)) <= 1e-6 * float(np.abs(planes).max()):
        raise NotMeasurable("the picture is a single shade: nothing in it repeats")
    power, cross, level = _averaged(planes, tile)
    fy, fx = (fft.fftshift(fft.fftfreq(side)) for side in tile)
    total = power.sum(axis=2)
    strength = total / (_surroundings(total) + CLEAN * float(total.max()))
    periods = np.hypot(fx[None, :] * tile[1], fy[:, None] * tile[0])
    radius = np.hypot(fx[None, :], fy[:, None])
    strength[(periods < MIN_PERIODS) | (radius > HIGHEST)] = 0
    top = (strength == maximum_filter(strength, 5)) & (strength > STRENGTH)
    rows, columns = np.nonzero(top)
    order = np.argsort(-strength[rows, columns], kind="stable")
    found: list[Peak] = []
    for row, column in zip(rows[order], columns[order], strict=True):
        at = np.array([_between(total[row], column, fx), _between(total[:, column], row, fy)])
        scale = np.array(tile[::-1])
        if any(_is_near(at * scale, other.frequency * scale, 2.5) for other in found):
            continue
        found.append(
            Peak(
                at if at[0] > 0 or (at[0] == 0 and at[1] > 0) else -at,
                float(strength[row, column]),
                2 * float(np.sqrt(total[row, column] / planes.shape[2])) / max(level, 1e-9),
                _alternates(cross, row, column),
                None if cross is None else tuple(np.sqrt(power[row, column]).tolist()),
            )
        )
        if len(found) == MOST_PEAKS:
            break
    return found


def is_colourless(planes: FloatImage) -> bool:
    """Whether a picture (height, width, 3) shows the same in all colours, but for a tint."""
    means = np.maximum(planes.mean(axis=(0, 1)), 1e-9)
    return all(
        float(np.sqrt(np.mean((planes[..., c] / means[c] - planes[..., 1] / means[1]) ** 2)))
        < COLOURLESS
        for c in (0, 2)
    )


def _is_near(one: Array, other: Array, distance: float) -> bool:
    """Whether two frequencies, or one and the opposite of the other, are closer than that."""
    return bool(min(np.hypot(*(one - other)), np.hypot(*(one + other))) < distance)


def tile_of(height: int, width: int) -> tuple[int, int]:
    """Height and width of the tiles of a picture. Raises `NotMeasurable` for too small a one."""
    if min(height, width) < SMALLEST_TILE_PX or max(height, width) < 3 * SMALLEST_TILE_PX:
        raise NotMeasurable(f"{width} x {height} px is too small a piece for a lattice")
    return min(TILE_PX, height), min(TILE_PX, width)


def _averaged(planes: FloatImage, tile: tuple[int, int]) -> tuple[Array, Complex | None, float]:
    """Mean power by colour (rows, columns, colours), zero frequency in the middle, normalised complex
    correlations of the colour pairs (rows, columns, pairs) or None, and the mean level."""
    taper = np.outer(*(np.hanning(side + 1)[:-1] for side in tile)).astype(np.float32)
    taper /= taper.sum()
    colours = planes.shape[2]
    pairs = [(0, 1), (1, 2), (0, 2)] if colours == 3 else []
    power = np.zeros((*tile, colours))
    cross = np.zeros((*tile, len(pairs)), dtype=np.complex128)
    places = _places(planes.shape[0], planes.shape[1], tile)
    for y, x in places:
        part = planes[y : y + tile[0], x : x + tile[1]]
        spectra = [fft.fft2((part[..., c] - part[..., c].mean()) * taper) for c in range(colours)]
        for c, spectrum in enumerate(spectra):
            power[..., c] += np.abs(spectrum) ** 2
        for k, (a, b) in enumerate(pairs):
            cross[..., k] += spectra[a] * np.conj(spectra[b])
    power /= len(places)
    for k, (a, b) in enumerate(pairs):
        cross[..., k] /= len(places) * np.sqrt(power[..., a] * power[..., b]) + 1e-30
    power = fft.fftshift(power, axes=(0, 1))
    return power, fft.fftshift(cross, axes=(0, 1)) if pairs else None, float(planes.mean())


def _places(height: int, width: int, tile: tuple[int, int]) -> list[tuple[int, int]]:
    """Top left corners of tiles: half overlapping, thinned out evenly to `MOST_TILES`."""
    counts = [
        max(1, 2 * size // side - 1) for size, side in zip((height, width), tile, strict=True)
    ]
    while counts[0] * counts[1] > MOST_TILES:
        counts[int(np.argmax(counts))] -= 1
    rows = np.linspace(0, height - tile[0], counts[0]).astype(int)
    columns = np.linspace(0, width - tile[1], counts[1]).astype(int)
    return [(int(y), int(x)) for y in rows for x in columns]


def _surroundings(power: Array) -> Array:
    """The power around each place: the largest of the medians over a square, a row, a column."""
    around = _medians(power, (15, 15), (5, 5))
    along = _medians(power, (1, 31), (1, 6))
    upright = _medians(power, (31, 1), (6, 1))
    return np.asarray(np.maximum(np.maximum(around, along), upright) + 1e-30)


def _medians(power: Array, window: tuple[int, int], every: tuple[int, int]) -> Array:
    """Medians over windows around every few places, each standing for its neighbours too: what
    surrounds a peak changes slowly, and a median at every place would take most of all the time."""
    (high, wide), (down, across) = window, every
    reach = [(side // 2 - step // 2, side) for side, step in zip(window, every, strict=True)]
    padded = np.pad(power, reach, mode="wrap")
    chosen = sliding_window_view(padded, (high, wide))[::down, ::across]
    found = np.median(chosen, axis=(2, 3))
    spread = found.repeat(down, axis=0).repeat(across, axis=1)
    return np.asarray(spread[: power.shape[0], : power.shape[1]])


def _between(line: Array, index: int, frequency: Array) -> float:
    """Frequency of a peak between samples: parabola through the logarithms of three."""
    if index in (0, line.size - 1):
        return float(frequency[index])
    a, b, c = np.log(line[index - 1 : index + 2] + 1e-30)
    bend = a - 2 * b + c
    step = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return float(frequency[index] + np.clip(step, -0.5, 0.5) * (frequency[1] - frequency[0]))


def _alternates(cross: Complex | None, row: int, column: int) -> bool | None:
    if cross is None:
        return None
    pair = min(cross[row, column], key=lambda one: float(one.real))
    off = np.degrees(np.arctan2(abs(pair.imag), -pair.real))
    return bool(pair.real < OPPOSED and off < HALF_TURN_DEG)
