"""Traces of enlargement: a spectrum that mirrors itself about the native Nyquist frequency.

A picture of w native pixels that is enlarged s times, whatever the (linear) kernel, has a spectrum
that is the native one times the kernel's response. The native spectrum repeats with the native
sampling rate, so what stands at f0 + e is the image of what stands at f0 - e, where f0 = 1 / (2 s)
cycles per stored px is the native Nyquist frequency: the two are correlated, with one phase for
all e and all rows, that of the native grid. A picture that was never enlarged has no such pair.

The sum over e of D(f0 + e) D(f0 - e) is the term at frequency 2 f0 in the square of the band-passed
rows, so all f0 are tested at once by squaring bands and transforming the column means. This is the
periodicity of the variance of interpolated signals (Gallagher 2005, Mahdian and Saic 2008), made
unambiguous by the band: the periodicity alone does not tell s from s / (s - 1), because 1 / s and
1 - 1 / s are the same frequency once sampled; the place of the mirror does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import gaussian_filter1d, median_filter

from glassay.imaging.tone import FloatImage

Spectrum = npt.NDArray[np.float64]

BAND_WIDTH = 0.12
"""Width of one band, cycles/px: wide enough for the images left by the smoothest kernels, narrow
enough that each mirror frequency is tested where its own pair is strongest. Half or twice this
width moves trace strength by less than a quarter."""

BAND_STEP = 0.06
LOWEST_MIRROR = 0.06
"""Mirror frequencies tested run from factor 8.3 ..."""

HIGHEST_MIRROR = 0.462
"""... to factor 1.08; nearer to 1 the image lies in the last few bins below Nyquist."""

GRID_HALF_WIDTH_BINS = 2.1
"""Half width, in bins of 1/length, of what is set aside around mirrors at multiples of 1/16
cycles/px: the traces of an 8 px compression grid. The square of a Hann window has its first null
at 1.5 such bins; the rest is margin for rows that are not all alike."""

NEIGHBOURHOOD = 41
"""Mirror frequencies (of 1 / (2 length) each) whose median is the local level: several times as
wide as a line, narrower than the skirts."""

INNER_COHERENCE, INNER_SHARE = 0.25, 7 / 8
"""Where a picture was compressed before it was enlarged, its own 8 px grid mirrors at eighths of the
enlargement's mirror. Is that on the photo's grid, and set aside, a trace at 7/8 of it would pass for
another factor: such traces have coherences of 0.10 to 0.19, those of enlargement mostly more."""

HIGHEST_INNER = 0.4
"""Above the mirror of 4/3, which is the smallest of the factors that firmware likes."""

NOISE_STRENGTH = 5.0
"""Strength from which a mirror in the noise is taken as real. Chance reaches it in one of 1e11
tests; native photographs with simulated noise stayed below 4.4 in 3000 spectra."""

LOCAL_BLOCK_PX = 33
"""Side over which a photo's detail is brought to equal strength, so that a few hard edges do not
stand for the whole picture. Several periods of any factor tested, so the trace itself stays."""


@dataclass(frozen=True)
class MirrorSpectrum:
    """How strongly rows mirror themselves about each frequency.

    `frequency` in cycles/px (multiples of 1 / (2 `length`)), `coherence` 0..1, `strength` in units
    in which chance exceeds t with probability exp(-t^2) at most; `power` is the power spectrum of
    the rows at multiples of 1 / `length`. All one-dimensional. `rounding` is the part of the power that
    rounding to whole levels made.
    """

    length: int
    frequency: Spectrum
    coherence: Spectrum
    strength: Spectrum
    power: Spectrum
    rounding: float = 0.0

    @property
    def on_grid(self) -> npt.NDArray[np.bool_]:
        """Frequencies at which an 8 px compression grid leaves traces of its own."""
        away = np.abs(self.frequency - _on_grid(self.frequency))
        return np.asarray(away <= GRID_HALF_WIDTH_BINS / self.length, dtype=np.bool_)

    def peak_at(self, place: float) -> int:
        """Index of the most coherent mirror about a place of the compression grid, cycles/px."""
        near = np.abs(self.frequency - place) <= GRID_HALF_WIDTH_BINS / self.length
        return int(np.argmax(np.where(near, self.coherence, 0.0)))

    @property
    def beside_grid(self) -> npt.NDArray[np.bool_]:
        """Frequencies within 8 bins of a grid trace and much weaker: its own skirt."""
        beside = np.zeros(self.frequency.size, dtype=np.bool_)
        on_grid = self.on_grid
        for multiple in range(1, 8):
            near = np.abs(self.frequency - multiple / 16) <= 8 / self.length
            if (near & on_grid).any():
                peak = float(self.strength[near & on_grid].max())
                beside |= near & ~on_grid & (self.strength < peak / 6)
        return beside

    @property
    def power_frequency(self) -> Spectrum:
        """Frequencies of `power`, cycles/px."""
        return np.arange(self.power.size) / self.length


def mirror_spectrum(rows: FloatImage) -> MirrorSpectrum:
    """Test all mirror frequencies along the rows of (height, width): noise, or levelled detail.

    `power` is one-sided noise power per px: for white noise of variance v it is v throughout.
    """
    length = rows.shape[1]
    window = np.hanning(length).astype(np.float32)
    spectrum = fft.rfft(rows * window, axis=1)
    squares = spectrum.real**2 + spectrum.imag**2
    power = np.asarray(np.mean(squares, axis=0, dtype=np.float64))
    smooth = gaussian_filter1d(power, max(2.0, 0.006 * length), mode="nearest")
    smooth = np.maximum(smooth, 1e-12 * float(smooth.max()))
    spectrum *= (1 / np.sqrt(smooth)).astype(np.float32)
    white = power / smooth
    parts = [
        _band(spectrum[:, low:high], white[low:high], low, length, is_last)
        for low, high, is_last in _bands(length, spectrum.shape[1])
    ]
    index, coherence, strength = (np.concatenate(part) for part in zip(*parts, strict=True))
    index, first = np.unique(index, return_index=True)
    energy = float(np.sum(window.astype(np.float64) ** 2))
    return MirrorSpectrum(
        length, index / (2 * length), coherence[first], strength[first], power / energy
    )


def breadth(rows: FloatImage, frequency: float) -> float:
    """Over how much of the band about a mirror `frequency` (cycles/px) its pairs contribute, 0..1.

    The inverse participation ratio of the pairs' shares in the sum. Enlargement ties every pair: 0.76
    to 1 in the study's enlarged photos, alone and in pairs, sharpened and compressed. In a scene that
    repeats (an array, a fence, a screen) a few sharp lines of the spectrum make the whole sum: 0.08 to
    0.33 in native photos of those.
    """
    length = rows.shape[1]
    spectrum = fft.rfft(rows * np.hanning(length).astype(np.float32), axis=1)
    power = np.mean(spectrum.real**2 + spectrum.imag**2, axis=0, dtype=np.float64)
    smooth = gaussian_filter1d(power, max(2.0, 0.006 * length), mode="nearest")
    total = round(2 * frequency * length)
    low = np.arange(max(0, total // 2 - int(BAND_WIDTH / 2 * length)), (total + 1) // 2)
    low = low[total - low < spectrum.shape[1]]
    pairs = np.mean(spectrum[:, low] * spectrum[:, total - low], axis=0, dtype=np.complex128)
    pairs /= np.maximum(np.sqrt(smooth[low] * smooth[total - low]), 1e-12 * float(smooth.max()))
    shares = np.abs((pairs * np.conj(pairs.sum())).real)
    square = len(shares) * float((shares**2).sum())
    return float(shares.sum()) ** 2 / square if square > 0 else 0.0


def power_spectrum(rows: FloatImage) -> Spectrum:
    """Noise power per px of the rows at multiples of 1/length; variance v of white noise gives v."""
    window = np.hanning(rows.shape[1]).astype(np.float32)
    spectrum = fft.rfft(rows * window, axis=1)
    power = np.mean(spectrum.real**2 + spectrum.imag**2, axis=0, dtype=np.float64)
    return np.asarray(power / float(np.sum(window.astype(np.float64) ** 2)))


def levelled_detail(picture: FloatImage) -> FloatImage:
    """Second derivative along the rows, brought to equal local strength, (height, width)."""
    second = cv2.filter2D(picture, cv2.CV_32F, np.array([[1, -2, 1]], np.float32))
    # The floor, a quarter of a squared level, keeps perfectly flat parts from becoming noise.
    return _levelled(np.asarray(second, dtype=np.float32), 0.25)


def levelled(noise: FloatImage) -> FloatImage:
    """Noise brought to nearly equal local strength, (height, width).

    Compression leaves noise in textured parts only. A trace would carry that pattern on its skirts.
    """
    return _levelled(noise, 0.2 * float(np.mean(noise * noise)) + 1e-12)


def _levelled(plane: FloatImage, floor: float) -> FloatImage:
    local = cv2.blur(plane * plane, (LOCAL_BLOCK_PX, LOCAL_BLOCK_PX))
    return np.asarray(plane / np.sqrt(local + np.float32(floor)), dtype=np.float32)


def _bands(length: int, bins: int) -> list[tuple[int, int, bool]]:
    width, step = round(BAND_WIDTH * length), round(BAND_STEP * length)
    low = round((LOWEST_MIRROR - BAND_STEP / 2) * length)
    out = []
    while low + width < bins:
        out.append((low, low + width, False))
        low += step
    return [*out, (low, bins, True)]


def _band(
    spectrum: npt.NDArray[np.complex64], white: Spectrum, low: int, length: int, is_last: bool
) -> tuple[npt.NDArray[np.int64], Spectrum, Spectrum]:
    count = spectrum.shape[1]
    padded = fft.next_fast_len(2 * count)
    signal = fft.ifft(spectrum, n=padded, axis=1, norm="forward")
    square = np.mean(signal * signal, axis=0, dtype=np.complex128)
    # sums[k] is the row mean of the sum over i + j = k of D[low + i] D[low + j].
    sums = np.abs(fft.fft(square, norm="forward")[: 2 * count - 1])
    chance = np.sqrt(np.maximum(np.convolve(white, white), 1e-12))
    whole = np.convolve(np.sqrt(white), np.sqrt(white))
    index = np.arange(2 * count - 1) + 2 * low
    frequency = index / (2 * length)
    centre = (low + (count - 1) / 2) / length
    near = np.abs(frequency - centre) <= BAND_STEP / 2 + 0.5 / length
    if is_last:
        near = (frequency > centre - BAND_STEP / 2) & (frequency <= HIGHEST_MIRROR)
    off_grid = np.abs(frequency * 16 - np.round(frequency * 16)) > 16 * 2.2 / length
    relative = sums / chance
    level = float(np.median(relative[near & off_grid])) if (near & off_grid).any() else 1.0
    # Where noise is spread unevenly over the picture, strong lines have wide skirts; a trace must
    # stand out of its surroundings, not only of the band.
    around = median_filter(relative, NEIGHBOURHOOD, mode="nearest")
    # The median of exp(-t^2) lies at sqrt(log 2).
    strength = relative / np.maximum(np.maximum(around, level), 1e-12) * np.sqrt(np.log(2))
    return index[near], (sums / whole)[near], strength[near]


def is_of_inner_grid(spectrum: MirrorSpectrum, index: int, coherence: float) -> bool:
    """Whether a mirror of this coherence may be what a compression before the enlargement left: it lies
    at 7/8 of a place of the photo's own grid."""
    whole = float(spectrum.frequency[index]) / INNER_SHARE
    if coherence >= INNER_COHERENCE or whole > HIGHEST_INNER:
        return False
    return bool(abs(whole - _on_grid(whole)) <= 1 / spectrum.length)


def _on_grid(frequency: Any) -> Any:
    """The places of an 8 px compression grid nearest to frequencies, cycles/px."""
    return np.round(frequency * 16) / 16
