"""Finding an evenly spaced row of lines in strips of a photo, and following it to its ends.

Nothing here assumes what a line looks like. The waveform of one division is taken from the photo
itself, by folding the strip at its period, so dark and bright lines, thin and thick ones, lines
with bright edges and blurred ones are all followed in the same way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.ndimage import median_filter, uniform_filter1d

from glassay.fitting import scatter, vertex
from glassay.scale.strips import Strips

Array = npt.NDArray[Any]

CELL = 32
"""Samples across one division in folded waveforms."""
REACH = 10
"""How far, in those samples, a line may stand from where it is expected (0.31 divisions)."""
MIN_PERIOD_PX = 2.5
"""Shortest period looked for at the resolution searched; nearer to 2 px aliasing cannot be told."""
MIN_PERIODS = 3.5
"""Periods that a window must hold before it may propose one."""
SEEN_CORRELATION = 0.6
"""A division counts as seen when it correlates with the waveform at least this well."""
MAX_GAP = 2
"""Lines that may be missing in a row (under dust or glare) before the scale is taken to end."""


@dataclass(frozen=True)
class Proposal:
    """A window of a strip that repeats itself: samples lo..hi, period in px, autocorrelation.

    `contrast` is the standard deviation in the window.
    """

    strip: int
    lo: int
    hi: int
    period: float
    correlation: float
    contrast: float

    @property
    def strength(self) -> float:
        """Correlation weighted by how many periods stand behind it, and by the contrast.

        Ripples of compression and resampling repeat themselves well but are faint; the square root
        keeps them from crowding out a scale, and keeps a faint scale in the running.
        """
        periods = (self.hi - self.lo) / self.period
        return self.correlation * float(np.sqrt(min(periods, 40.0) * self.contrast))


@dataclass(frozen=True)
class Comb:
    """A followed row of divisions in one strip.

    Line n is expected at sample polyval(`place`, n); `numbers` are those in which the waveform was
    seen, `offsets` where it was seen relative to the expectation (px), `agreement` the correlation.
    """

    place: Array
    numbers: npt.NDArray[np.int64]
    offsets: Array
    agreement: Array
    waveform: Array

    @property
    def period(self) -> float:
        """Period in px in the middle of the comb."""
        middle = float(np.median(self.numbers)) if len(self.numbers) else 0.0
        return float(np.polyval(np.polyder(self.place), middle))

    @property
    def span(self) -> int:
        """How many divisions lie from the first line seen to the last, both included."""
        return int(self.numbers.max() - self.numbers.min() + 1) if len(self.numbers) else 0

    @property
    def filled(self) -> float:
        """Share of the divisions in the span that were seen."""
        return len(self.numbers) / self.span if self.span else 0.0


def propose(strips: Strips, window: int | None) -> list[Proposal]:
    """Periods that stand out in the autocorrelation of windows of `window` samples (None: all)."""
    total = strips.rows.shape[1]
    length = total if window is None else min(window, total)
    starts = np.unique(np.linspace(0, total - length, max(1, 2 * total // length - 1)).astype(int))
    found: list[Proposal] = []
    for start in starts:
        part = slice(start, start + length)
        rows, valid = strips.rows[:, part], strips.valid[:, part]
        useful = np.flatnonzero(valid.mean(axis=1) > 0.3)
        if len(useful):
            found += _propose_in(rows[useful], valid[useful], useful, start)
    return found


def _propose_in(
    rows: npt.NDArray[np.float32],
    valid: npt.NDArray[np.bool_],
    strip_of: npt.NDArray[np.int64],
    start: int,
) -> list[Proposal]:
    length = rows.shape[1]
    lags = int(length / MIN_PERIODS)
    if lags < 4:
        return []
    flat = _high_pass(rows, valid, length // 3)
    contrast = np.sqrt((flat**2).mean(axis=1))
    correlation = _autocorrelation(flat, lags)
    inner = correlation[:, 1:-1]
    is_peak = (inner >= correlation[:, :-2]) & (inner > correlation[:, 2:])
    is_peak[:, : int(MIN_PERIOD_PX) - 1] = False
    trough = np.minimum.accumulate(correlation, axis=1)[:, 1:-1]
    is_peak &= (inner - trough > 0.2) & (inner > 0.2)
    best = np.where(is_peak, inner, 0).max(axis=1)
    found = []
    for row in np.flatnonzero(best > 0.2):
        lags_here = np.flatnonzero(is_peak[row] & (inner[row] >= 0.75 * best[row])) + 1
        period = _sharpened_period(correlation[row], int(lags_here[0]))
        if period >= MIN_PERIOD_PX:
            height = float(correlation[row, lags_here[0]])
            seen = np.flatnonzero(valid[row])
            lo, hi = start + int(seen[0]), start + int(seen[-1]) + 1
            found.append(Proposal(int(strip_of[row]), lo, hi, period, height, float(contrast[row])))
    return found


def _high_pass(
    rows: npt.NDArray[np.float32], valid: npt.NDArray[np.bool_], width: int
) -> npt.NDArray[np.float32]:
    weight = valid.astype(np.float32)
    mean = uniform_filter1d(rows * weight, width, axis=1, mode="nearest")
    cover = uniform_filter1d(weight, width, axis=1, mode="nearest")
    flat = (rows - mean / np.maximum(cover, 1e-3)) * weight
    return np.asarray(flat, dtype=np.float32)


def _autocorrelation(rows: npt.NDArray[np.float32], lags: int) -> npt.NDArray[np.float32]:
    """Correlation of each row with itself shifted by 0..lags-1, normalised over the overlap."""
    length = rows.shape[1]
    size = scipy.fft.next_fast_len(length + lags, real=True)
    spectrum = scipy.fft.rfft(rows, size, axis=1)
    raw = scipy.fft.irfft(spectrum.real**2 + spectrum.imag**2, size, axis=1)[:, :lags]
    energy = np.cumsum(np.pad(rows.astype(np.float64) ** 2, ((0, 0), (1, 0))), axis=1)
    shift = np.arange(lags)
    head = energy[:, length - shift]
    tail = energy[:, -1:] - energy[:, shift]
    scale = np.sqrt(np.maximum(head * tail, 0))
    floor = 1e-9 + 1e-3 * scale[:, :1]
    return np.asarray(raw / np.maximum(scale, floor), dtype=np.float32)


def _sharpened_period(correlation: npt.NDArray[np.float32], lag: int) -> float:
    """Use the peaks at 1, 2, 4 ... periods to get the period to a small fraction of a sample."""
    period, multiple = float(lag), 1
    while True:
        reach = max(1, int(0.2 * period))
        middle = round(multiple * period)
        lo, hi = middle - reach, middle + reach + 1
        if hi + 1 >= len(correlation) or lo < 1:
            return period
        peak = lo + int(np.argmax(correlation[lo:hi]))
        if correlation[peak] < 0.5 * correlation[lag]:
            return period
        left, top, right = (float(v) for v in correlation[peak - 1 : peak + 2])
        if top < left or top < right or left == top == right:  # the highest is at the rim: no peak
            return period
        period = (peak + vertex(left, top, right)) / multiple
        multiple *= 2


def follow(row: Array, valid: npt.NDArray[np.bool_], proposal: Proposal) -> Comb | None:
    """Fold the proposed window into a waveform and follow it along the strip in both directions.

    Returns None when fewer than four divisions agree with one another.
    """
    lo, hi, period = proposal.lo, proposal.hi, proposal.period
    count = int((hi - lo) / period)
    place = np.array([period, lo + 0.5 * period])
    numbers = _busiest(row, valid, place, count)
    wave = _fold(row, valid, place, numbers) if len(numbers) >= 3 else None
    if wave is None:
        return None
    place[1] += (float(np.argmax(np.abs(wave - np.median(wave)))) / CELL - 0.5) * period
    comb: Comb | None = None
    for turn in range(8):
        wave = _fold(row, valid, place, numbers)
        if wave is None:
            return None
        reach = max(3, len(numbers) // 2) + (2 ** (turn + 2) if turn else 0)
        seen = _see(row, valid, place, wave, int(np.median(numbers)), int(numbers.min()) - reach,
                    int(numbers.max()) + reach)  # fmt: skip
        if seen is None:
            return None
        degree = 1 if len(seen.numbers) < 12 or turn < 2 else 2
        place = _robust_line(seen, place, degree)
        finished = comb is not None and len(seen.numbers) == len(comb.numbers)
        numbers, comb = seen.numbers, seen
        if finished and turn >= 3:
            break
    if comb is None or wave is None:
        return None
    return _see(row, valid, place, wave, int(np.median(numbers)), int(numbers.min()) - 2,
                int(numbers.max()) + 2)  # fmt: skip


def _busiest(
    row: Array, valid: npt.NDArray[np.bool_], place: Array, count: int
) -> npt.NDArray[np.int64]:
    """The run of divisions in which something stands: a scale may fill a small part of a window."""
    numbers = np.arange(count)
    cells, whole = sample_cells(row[None], valid[None], np.polyval(place, numbers), place[0], 0)
    energy = np.where(whole[0], (_detrended(cells[0]) ** 2).sum(axis=1), 0)
    # A median over five divisions passes over a single speck of dust, however dark.
    level = median_filter(energy, size=min(5, count), mode="nearest")
    middle = int(np.argmax(level))
    busy = level > 0.2 * level[middle]
    first = middle - int(np.argmin(np.append(busy[middle::-1], False))) + 1
    last = middle + int(np.argmin(np.append(busy[middle:], False)))
    return numbers[first:last]


def sample_cells(
    rows: Array, valid: npt.NDArray[np.bool_], centres: Array, period: float, margin: int
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Samples of each division of each row.

    `rows` has shape (strips, samples) and `centres` (lines,); returns values of shape
    (strips, lines, CELL + 2 * margin) and whether each cell lies in the photo.
    """
    grid = (np.arange(CELL + 2 * margin) - margin + 0.5) / CELL - 0.5
    at = centres[:, None] + period * grid[None, :]
    left = np.floor(at).astype(np.int64)
    part = (at - left).astype(rows.dtype)
    inside = (left >= 0) & (left + 1 < rows.shape[1])
    left = np.clip(left, 0, rows.shape[1] - 2)
    values = rows[:, left] * (1 - part) + rows[:, left + 1] * part
    whole = inside & valid[:, left] & valid[:, left + 1]
    return values, whole[:, :, margin : CELL + margin].mean(axis=2) > 0.9


def _fold(
    row: Array, valid: npt.NDArray[np.bool_], place: Array, numbers: npt.NDArray[np.int64]
) -> Array | None:
    centres = np.polyval(place, numbers)
    period = float(np.polyval(np.polyder(place), float(np.median(numbers))))
    if not MIN_PERIOD_PX * 0.8 <= period < len(row):
        return None
    cells, whole = sample_cells(row[None], valid[None], centres, period, 0)
    usable = cells[0][whole[0]]
    if len(usable) < 3:
        return None
    flat = _detrended(usable)
    # The median over divisions keeps dust and numerals out of the waveform.
    return np.asarray(np.median(flat, axis=0) if len(flat) > 4 else flat.mean(axis=0))


def _detrended(cells: Array) -> Array:
    """Cells without their mean and slope over the last axis."""
    ramp = np.linspace(-1, 1, cells.shape[-1])
    ramp = ramp / np.sqrt((ramp**2).sum())
    flat = cells - cells.mean(axis=-1, keepdims=True)
    return np.asarray(flat - (flat @ ramp)[..., None] * ramp)


def match_cells(cells: Array, waveform: Array) -> tuple[Array, Array, Array]:
    """Best shift of each cell against the waveform.

    `cells` has shape (..., CELL + 2 * REACH). Returns correlation, offset in divisions, and the
    amplitude relative to the waveform's, each of shape (...).
    """
    wave = _detrended(waveform)
    norm = float(np.sqrt((wave**2).sum())) or 1.0
    windows = np.lib.stride_tricks.sliding_window_view(cells, CELL, axis=-1)
    ramp = np.linspace(-1, 1, CELL)
    ramp = ramp / np.sqrt((ramp**2).sum())
    mean = windows.mean(axis=-1)
    slope = windows @ ramp
    energy = (windows**2).sum(axis=-1) - CELL * mean**2 - slope**2
    product = windows @ wave
    floor = 1e-6 * norm
    correlation = product / (norm * np.sqrt(np.maximum(energy, floor**2)))
    peak = np.clip(np.argmax(correlation, axis=-1), 1, correlation.shape[-1] - 2)[..., None]
    left, top, right = (
        np.take_along_axis(correlation, peak + step, axis=-1)[..., 0] for step in (-1, 0, 1)
    )
    bend = left - 2 * top + right
    fine = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1), 0.0)
    offset = (peak[..., 0] - REACH + np.clip(fine, -1, 1)) / CELL
    amplitude = np.take_along_axis(product, peak, axis=-1)[..., 0] / norm**2
    return np.asarray(top), np.asarray(offset), np.asarray(amplitude)


def shifted_amplitudes(cells: Array, waveform: Array) -> Array:
    """Amplitude of each cell, relative to the waveform, at each shift.

    `cells` has shape (..., CELL + 2 * REACH); returns (..., 2 * REACH + 1), no shift in the middle.
    """
    wave = _detrended(waveform)
    windows = np.lib.stride_tricks.sliding_window_view(cells, CELL, axis=-1)
    return np.asarray((windows @ wave) / max(float((wave**2).sum()), 1e-30))


def _see(
    row: Array, valid: npt.NDArray[np.bool_], place: Array, wave: Array,
    middle: int, first: int, last: int,
) -> Comb | None:  # fmt: skip
    numbers = np.arange(first, last + 1)
    period = float(np.polyval(np.polyder(place), middle))
    cells, whole = sample_cells(row[None], valid[None], np.polyval(place, numbers), period, REACH)
    agreement, offset, amplitude = match_cells(cells[0], wave)
    good = (agreement > SEEN_CORRELATION) & whole[0] & (np.abs(offset) < 0.25)
    good &= (amplitude > 0.2) & (amplitude < 5)
    kept = _unbroken(numbers, good, middle)
    if kept.sum() < 4:
        return None
    return Comb(place, numbers[kept], offset[kept] * period, agreement[kept], wave)


def _unbroken(
    numbers: npt.NDArray[np.int64], good: npt.NDArray[np.bool_], middle: int
) -> npt.NDArray[np.bool_]:
    """The good lines that can be reached from the middle without a gap of more than MAX_GAP."""
    kept = np.zeros_like(good)
    start = int(np.argmin(np.where(good, np.abs(numbers - middle), 10**9)))
    for step in (1, -1):
        index, missing = start, 0
        while 0 <= index < len(numbers) and missing <= MAX_GAP:
            kept[index] = good[index]
            missing = 0 if good[index] else missing + 1
            index += step
    return kept


def _robust_line(seen: Comb, place: Array, degree: int) -> Array:
    """Refit the places of the lines, giving outliers little weight (Tukey's biweight)."""
    at = np.polyval(place, seen.numbers) + seen.offsets
    weight = seen.agreement.copy()
    fit = place
    for _ in range(4):
        fit = np.polyfit(seen.numbers, at, degree, w=np.sqrt(weight))
        residual = at - np.polyval(fit, seen.numbers)
        spread = scatter(residual) + 0.02
        weight = seen.agreement * np.clip(1 - (residual / (4.685 * spread)) ** 2, 1e-6, 1) ** 2
    return np.asarray(fit)


def finer_division(waveform: Array) -> int:
    """Into how many equal parts the waveform itself repeats (1 when it does not).

    A comb that was folded at 2, 5 or 10 divisions shows the finer lines within its waveform.
    """
    wave = waveform - waveform.mean()
    size = float((wave**2).sum())
    if size <= 0:
        return 1
    spectrum = np.fft.rfft(wave)
    power = np.abs(spectrum) ** 2
    power[0] = 0
    for parts in (10, 5, 4, 3, 2):
        harmonics = power[parts::parts].sum() / power.sum()
        if harmonics > 0.8:
            return parts
    return 1
