"""Power and cross spectra of two aligned pictures, over windows and in bands of radius.

Frequencies in cycles per px of the coarser picture; the finer one lies on a grid `FINER_GRID` times as
dense.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.errors import NotMeasurable
from glassay.optics.limits import NYQUIST

Float = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
Mask = npt.NDArray[np.bool_]

WINDOWS_PX = (192, 128, 64)
"""Sides of the windows: the largest is used that the common piece holds often enough. The lower
the lowest band, the better is the gain told apart from the response."""
MIN_WINDOWS = 6
FINER_GRID = 2
"""Samples of the finer picture for each px of the coarser one: on the same grid, strong wiring at 0.65
cycles/px, of which the Gaussian leaves a fifth, folds back to 0.35 and is taken for what was shown
there (bands up to 30 % low on drawn dies)."""
LOWEST_PERIODS = 2.0
"""Bands used: from two periods in a window, below which it mixes light and shade in, to the highest
frequency that pixels carry, cycles/px."""
SMEARED = 2.0
"""How far a window smears a period, bins: half the main lobe of Hann's (Harris 1978)."""


@dataclass(frozen=True)
class Spectra:
    """Means over `windows` windows: power of the finer picture (`xx`) and of the coarser one (`yy`),
    and their cross spectrum (`xy`), each (side, side // 2 + 1)."""

    xx: Float
    yy: Float
    xy: Complex
    windows: int

    @property
    def side(self) -> int:
        """Side of the windows, px."""
        return int(self.xx.shape[0])


def _windows(whole: Mask) -> tuple[int, list[tuple[slice, slice]]]:
    """Side and places of overlapping windows that lie wholly in the common piece."""
    height, width = whole.shape
    for side in WINDOWS_PX:
        places = [
            (slice(row, row + side), slice(column, column + side))
            for row in range(0, height - side + 1, side // 2)
            for column in range(0, width - side + 1, side // 2)
            if whole[row : row + side, column : column + side].all()
        ]
        if len(places) >= MIN_WINDOWS:
            return side, places
    raise NotMeasurable("the two photos share too small a piece of the chip")


def _dense(here: tuple[slice, slice]) -> tuple[slice, slice]:
    row, column = (slice(FINER_GRID * one.start, FINER_GRID * one.stop) for one in here)
    return row, column


def _carried(side: int) -> tuple[npt.NDArray[np.intp], slice]:
    """Of the dense grid's frequencies those that the coarser photo's pixels carry."""
    rows = np.concatenate([np.arange(side // 2), np.arange(-(side // 2), 0)])
    return rows, slice(side // 2 + 1)


def spectra_of(x: Float, y: Float, whole: Mask) -> Spectra:
    """Power and cross spectra over overlapping windows that lie wholly in the common piece."""
    side, places = _windows(whole)
    xx, yy = np.zeros((side, side // 2 + 1)), np.zeros((side, side // 2 + 1))
    xy = np.zeros(xx.shape, dtype=np.complex128)
    for a, (b,) in _transforms(x, [y], side, places):
        xx += np.abs(a) ** 2
        yy += np.abs(b) ** 2
        xy += np.conj(a) * b
    count = len(places)
    return Spectra(xx / count, yy / count, xy / count, count)


def cross_spectra(x: Float, pictures: Sequence[Float], whole: Mask) -> list[Complex]:
    """The cross spectrum of `x` with each of several pictures, as `spectra_of` gives it."""
    side, places = _windows(whole)
    sums = [np.zeros((side, side // 2 + 1), dtype=np.complex128) for _ in pictures]
    for a, others in _transforms(x, pictures, side, places):
        conjugate = np.conj(a)
        for xy, b in zip(sums, others, strict=True):
            xy += conjugate * b
    return [xy / len(places) for xy in sums]


def _transforms(
    x: Float, pictures: Sequence[Float], side: int, places: Sequence[tuple[slice, slice]]
) -> Iterator[tuple[Complex, list[Complex]]]:
    """Of each window the transform of the dense picture and those of the others."""
    taper, dense = _taper(side, 1), _taper(side, FINER_GRID)
    rows, columns = _carried(side)
    for here in places:
        a = fft.rfft2(_level(x[_dense(here)]) * dense)[rows, columns]
        yield a, [fft.rfft2(_level(y[here]) * taper) for y in pictures]


def _level(part: Float) -> Float:
    return np.asarray(part - part.mean())


def reassigned_radius(x: Float, whole: Mask) -> Float:
    """Radius (cycles/px) at which the power in each place of a window's spectrum truly lies.

    A window smears a strong period over four bins. The transform under the window's derivative says
    how far off each bin's power comes from (spectral reassignment, Auger and Flandrin 1995).
    """
    side, places = _windows(whole)
    window, slope = _hann(side, FINER_GRID)
    rows, columns = _carried(side)
    power = np.zeros((side, side // 2 + 1))
    moved = np.zeros((2, *power.shape))
    for here in places:
        part = _level(x[_dense(here)])
        a, down, right = (
            fft.rfft2(part * np.outer(one, other))[rows, columns]
            for one, other in ((window, window), (slope, window), (window, slope))
        )
        power += np.abs(a) ** 2
        moved += np.imag(np.conj(a) * np.stack([down, right])) / (2 * np.pi)
    off = np.clip(moved / np.maximum(power, 1e-30), -SMEARED / side, SMEARED / side)
    return np.asarray(
        np.hypot(fft.fftfreq(side)[:, None] - off[0], fft.rfftfreq(side)[None, :] - off[1])
    )


def _hann(side: int, finer: int) -> tuple[Float, Float]:
    """Hann's window over `side` px with `finer` samples a px, and its slope per px."""
    turn = 2 * np.pi * (np.arange(side * finer) / finer + 1) / (side + 1)
    return 0.5 - 0.5 * np.cos(turn), np.pi / (side + 1) * np.sin(turn)


def _taper(side: int, finer: int) -> Float:
    """Hann's window over `side` px squared, `finer` samples a px; its mean square is that of one px."""
    one, _ = _hann(side, finer)
    window = np.outer(one, one)
    own = window[::finer, ::finer]
    return np.asarray(window / math.sqrt((own**2).sum()) / finer**2)


def radius_of(side: int) -> Float:
    """Radius (cycles/px) of each place in the spectrum of a window of `side` px."""
    return np.asarray(np.hypot(fft.fftfreq(side)[:, None], fft.rfftfreq(side)[None, :]))


def rings_of(radius: Float) -> list[Mask]:
    """Where, in windows' spectra, the bands lie."""
    step = 1 / radius.shape[0]
    edges = np.arange(LOWEST_PERIODS * step, NYQUIST + 1e-9, step)
    return [(radius >= low) & (radius < high) for low, high in itertools.pairwise(edges)]
