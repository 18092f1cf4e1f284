"""Sub-pixel positions of the lines of a scale, from the photo's own pixels.

The pixels of every line are binned by their distance from where the line is expected, without any
resampling of the photo. The mean waveform of a division is described by the Fourier harmonics that
stand above the noise; each line's position is the shift that fits it to that waveform by least
squares. For white noise this is the maximum-likelihood estimate once the waveform is known, so its
spread approaches the Cramer-Rao bound (see docs/methods-scale.md for the derivation).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter, uniform_filter1d

from glassay.errors import NotMeasurable
from glassay.fitting import SIGMA_OF_MAD, scatter
from glassay.imaging.tone import FloatImage
from glassay.scale.bend import Bend, fit_bend
from glassay.scale.search import Sighting

Array = npt.NDArray[Any]

MAX_PIXELS_USED = 800_000
"""Pixels read for one pass. More would only sharpen a fit that other effects already limit."""
SLABS = 12
SLABS_PER_DIVISION = 4.5
MAX_SLABS = 72
"""Parts of the lines' length in which positions are found separately, to get their direction and to
see whether they stay alike. At 4.5 a division a chessboard, whose squares alternate twice a period,
cannot look steady."""
BINS_PER_PX = 4
MANY_BINS = 192
COARSE_BINS_PER_PX = 1.5
"""Fineness of the binning: 1/4 px for fine scales; for coarse ones, whose lines hold many more px,
`MANY_BINS` or 1/1.5 px. What a bin blurs is taken out by the pixels' mean place in it."""
MAX_SOLVED_PERIOD_PX = 40.0
"""Up to this period the waveform of unevenly filled bins is solved for; in longer ones neighbouring
px sample it finely enough to interpolate."""
CLEARLY_LOPSIDED = 0.3
"""A waveform this much lopsided shows which part is the line: the narrower one."""
MIN_BINS = 4
"""Bins of a division that must hold pixels: one more than a line's background, contrast and shift."""
LONGEST_LINE = 1.5
"""How far beyond either end of the shortest lines the longest ones are followed, as a share of the
shortest: 10th lines reach less far, and one that does is the arm of a cross."""
END_MARGIN = 0.08
"""Share of a line's length left out at either end, where caps and base lines disturb it."""
INNER_MARGIN = 0.2
"""Share of the core's height left out at either end when the lines' likeness is judged."""
LOST_CONTRAST = 0.8
"""Slabs with less than this share of the usual contrast may lie at the lines' ends, or be crossed by
a base line."""
BLOCKS = 12
"""Parts of a division in which its likeness to the waveform is judged (fewer if below 2 px)."""
NOISE_SHARE = 0.03
"""Share of the waveform's power that noise may have in a block by which likeness is judged."""
HARMONIC_SIGNIFICANCE = 4.0
"""A harmonic of the waveform is kept when it stands this many standard errors above zero."""
NYQUIST_SHARE = 1.8
"""Highest harmonic kept, as a share of half the sampling frequency. It may exceed 1, as lines at
many different places within a pixel together sample the waveform more finely than one does."""
ALIGNED_NYQUIST_SHARE = 0.95
"""The same where the lines stand at much the same place within their pixels, so that higher harmonics
cannot be told from their aliases."""


@dataclass(frozen=True)
class Lines:
    """Refined lines.

    `positions` (px along the axis from the photo's centre, at t = 0) with the standard `errors`
    expected from the pixel noise; `across_mean` and `across_square` are the mean place across the
    axis, and its mean square, of the pixels that each line rests on. `noise` is the pixel noise and
    `contrast` the peak-to-peak of the waveform, both on the photo's square-root scale. `explained`
    is the share of the variation around a line that the common waveform accounts for, `amplitudes`
    each line's contrast relative to the common one, `unsteadiness` the relative spread of the
    contrast along single lines, `wander` (px) the rms departure of the lines from straightness,
    `bow` (px) how far all of them bend to one side, as rings do,
    `alternation` how much every second line differs from the others.
    """

    angle: float
    period: float
    numbers: npt.NDArray[np.int64]
    positions: Array
    errors: Array
    across_mean: Array
    across_square: Array
    begins: Array
    ends: Array
    waveform: Array
    noise: float
    contrast: float
    explained: float
    amplitudes: Array
    unsteadiness: float
    wander: float
    bow: float
    alternation: float


@dataclass(frozen=True)
class _Cells:
    mean: Array  # (slabs, lines, bins)
    count: Array
    t: Array  # (slabs,) middle of each slab across the axis
    offsets: Array  # (bins,) px from the expected position
    stray: (
        Array  # (slabs, lines, bins) mean distance of the pixels from the middle of their bin, px
    )


def refine(grey: FloatImage, mask: npt.NDArray[np.uint8] | None, sighting: Sighting) -> Lines:
    """Refine a `sighting` on the photo `grey` (height, width; square root of linear light).

    Raises `NotMeasurable` when the lines do not hold up at full resolution.
    """
    row = sighting
    lines: Lines | None = None
    row = _centred(grey, row, _gather(grey, mask, row))
    white_noise = _white_noise(grey, row)
    bend = Bend(sum(row.core) / 2)
    for _ in range(5):
        cells = _gather(grey, mask, row, bend)
        lines, slope, more = _locate(cells, row, white_noise, bend)
        degree = int(np.clip(len(lines.numbers) // 3 - 1, 1, 3))
        place = np.polyfit(lines.numbers, lines.positions, degree, w=1 / (lines.errors + 0.01))
        length = row.core[1] - row.core[0]
        moved = abs(slope) * length + float(
            np.abs(more.at(lines.positions, np.array(more.middle + length))).max()
            + np.abs(np.polyval(place, lines.numbers) - np.polyval(row.place, lines.numbers)).max()
        )
        bend = bend + more
        row = replace(row, angle=lines.angle, place=place)
        if moved < 0.01 * max(1.0, row.period / 20):
            break
    assert lines is not None
    return lines


def _gather(
    grey: FloatImage, mask: npt.NDArray[np.uint8] | None, row: Sighting, bend: Bend | None = None
) -> _Cells:
    """Bin the pixels around the lines, bent as said, by slab, line number and offset."""
    height, width = grey.shape
    period = row.period
    first, last = int(row.numbers.min()), int(row.numbers.max())
    centres = np.polyval(row.place, np.arange(first - 1, last + 2))
    reach = LONGEST_LINE * (row.core[1] - row.core[0])
    t_lo = max(float(row.begins.min()), row.core[0] - reach)
    t_hi = min(float(row.ends.max()), row.core[1] + reach)
    s_lo, s_hi = centres[1] - period / 2, centres[-2] + period / 2
    c, s = np.cos(row.angle), np.sin(row.angle)
    corners = [(a * c - b * s, a * s + b * c) for a in (s_lo, s_hi) for b in (t_lo, t_hi)]
    cx, cy = (width - 1) / 2, (height - 1) / 2
    x0, x1 = _clip_range([p[0] + cx for p in corners], width)
    y0, y1 = _clip_range([p[1] + cy for p in corners], height)
    area = max(1.0, (s_hi - s_lo) * (t_hi - t_lo))
    stride = max(1, int(np.ceil(area / MAX_PIXELS_USED)))
    step_y, step_x = (stride, 1) if abs(c) > abs(s) else (1, stride)
    y, x = np.arange(y0, y1, step_y), np.arange(x0, x1, step_x)
    along = ((x - cx) * c)[None, :] + ((y - cy) * s)[:, None]
    across = ((y - cy) * c)[:, None] - ((x - cx) * s)[None, :]
    wanted = (along >= s_lo) & (along < s_hi) & (across >= t_lo) & (across < t_hi)
    if mask is not None:
        wanted &= mask[y0:y1:step_y, x0:x1:step_x] > 0
    along, across = along[wanted], across[wanted]
    values = grey[y0:y1:step_y, x0:x1:step_x][wanted]
    if bend is not None and bend.seen:
        along = along - bend.at(along, across)
    number = np.interp(along, centres, np.arange(first - 1, last + 2, dtype=np.float64))
    nearest = np.rint(number).astype(np.int64)
    lines = last - first + 1
    index = np.clip(nearest - first, 0, lines - 1)
    offset = along - centres[1:-1][index]
    bins = max(
        16, math.ceil(min(period * BINS_PER_PX, max(MANY_BINS, period * COARSE_BINS_PER_PX)))
    )
    bin_of = np.floor((offset / period + 0.5) * bins).astype(np.int64)
    wanted = max(SLABS, math.ceil(SLABS_PER_DIVISION * (t_hi - t_lo) / period))
    slabs = int(np.clip(round((t_hi - t_lo) / 2), 1, min(wanted, MAX_SLABS)))
    slab_of = np.clip(((across - t_lo) / (t_hi - t_lo) * slabs).astype(np.int64), 0, slabs - 1)
    good = (bin_of >= 0) & (bin_of < bins)
    key = ((slab_of * lines + index) * bins + bin_of)[good]
    size = slabs * lines * bins
    count = np.bincount(key, minlength=size).astype(np.float64)
    total = np.bincount(key, weights=values[good], minlength=size)
    offsets = ((np.arange(bins) + 0.5) / bins - 0.5) * period
    stray = np.bincount(key, weights=(offset - offsets[np.clip(bin_of, 0, bins - 1)])[good],
                        minlength=size)  # fmt: skip
    shape = (slabs, lines, bins)
    t = t_lo + (np.arange(slabs) + 0.5) * (t_hi - t_lo) / slabs
    count = count.reshape(shape)
    count *= _supported(row, t, (t_hi - t_lo) / slabs, first, lines)[:, :, None]
    mean = total.reshape(shape) / np.maximum(count, 1)
    stray = np.where(count > 0, stray.reshape(shape) / np.maximum(count, 1), 0.0)
    return _Cells(np.where(count > 0, mean, 0.0), count, t, offsets, stray)


def _white_noise(grey: FloatImage, row: Sighting) -> float:
    """Standard deviation of the noise from pixel to pixel around the row (Immerkaer 1996)."""
    c, s = np.cos(row.angle), np.sin(row.angle)
    s_mid = float(np.polyval(row.place, np.median(row.numbers)))
    t_mid = sum(row.core) / 2
    x = int(s_mid * c - t_mid * s + (grey.shape[1] - 1) / 2)
    y = int(s_mid * s + t_mid * c + (grey.shape[0] - 1) / 2)
    part = grey[max(0, y - 256) : y + 256, max(0, x - 256) : x + 256]
    if min(part.shape) < 5:
        part = grey
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = cv2.filter2D(part, cv2.CV_32F, kernel)[1:-1, 1:-1]
    # The median passes over the edges of the lines, which the kernel answers to as well.
    return scatter(response) / 6.0


def _unsteadiness(cells: _Cells, amplitude: Array, error: Array) -> float:
    """How much the contrast of a line changes from part to part, beyond what noise does.

    Neighbouring parts are compared, so that glare which changes slowly does not count. Parts at the
    lines' ends, and those that a base line crosses, are left out.
    """
    known = cells.count.sum(axis=2) > 0
    off_base = ~_crossed(amplitude, known)
    known, amplitude, error = known[off_base], amplitude[off_base], error[off_base]
    both = known[1:] & known[:-1]
    if not both.any():
        return 0.0
    change = np.abs(np.diff(amplitude, axis=0))[both] / math.sqrt(2)
    noise = np.hypot(error[1:], error[:-1])[both] / math.sqrt(2)
    spread = SIGMA_OF_MAD * float(np.median(change))
    return float(np.sqrt(max(0.0, spread**2 - float(np.median(noise)) ** 2)))


def _crossed(amplitude: Array, known: Array) -> npt.NDArray[np.bool_]:
    """The slabs in which all lines lose contrast together: at their ends, and at a base line.

    At most a quarter of the slabs at either end, and between them one short run: rows of squares or
    letters change more often, or for longer.
    """
    crossed = np.zeros(len(known), dtype=bool)
    judged = np.flatnonzero(known.any(axis=1))
    if len(judged) < 3:
        return crossed
    level = np.array([np.median(amplitude[j][known[j]]) for j in judged])
    low = level < LOST_CONTRAST * np.median(level[level >= np.median(level)])
    end = max(1, len(judged) // 4)
    first, last = 0, len(judged)
    while first < end and low[first]:
        first += 1
    while len(judged) - last < end and low[last - 1]:
        last -= 1
    crossed[judged[:first]] = crossed[judged[last:]] = True
    within = np.flatnonzero(low[first:last]) + first
    if len(within) and np.ptp(within) < len(within) <= (last - first) / 2:
        crossed[judged[within]] = True
    return crossed


def _line_amplitudes(amplitude: Array, weight: Array) -> Array:
    total = weight.sum(axis=0)
    return np.asarray((amplitude * weight).sum(axis=0) / np.maximum(total, 1e-30))


def _clip_range(values: list[float], limit: int) -> tuple[int, int]:
    return max(0, int(min(values))), min(limit, int(max(values)) + 2)


def _supported(row: Sighting, t: Array, thickness: float, first: int, lines: int) -> Array:
    """1 where a slab lies well within a line's length, shape (slabs, lines)."""
    margin = END_MARGIN * (row.core[1] - row.core[0])
    support = np.zeros((len(t), lines))
    half = min(thickness / 2, 0.25 * (row.core[1] - row.core[0]))
    for n, begin, end in zip(row.numbers, row.begins, row.ends, strict=True):
        inside = (t - half >= begin + margin) & (t + half <= end - margin)
        if not inside.any():
            inside = np.abs(t - (begin + end) / 2) <= thickness
        support[inside, n - first] = 1
    return support


def _centred(grey: FloatImage, row: Sighting, cells: _Cells) -> Sighting:
    """Shift the expected places so that each line stands in the middle of its division.

    A line near the rim of its cell would be cut by it, and cut differently where its neighbours
    are shorter than itself, which would look like a slant.
    """
    period = row.period
    coefficients, harmonics, _ = _waveform(cells, _without_slope(cells, period), period)
    grid = np.linspace(-0.5, 0.5, 257)[:-1] * period
    wave = _evaluate(coefficients, harmonics, grid, period)[0]
    middle = float(np.median(wave))
    sign = -1.0 if middle - wave.min() > wave.max() - middle else 1.0
    turn = 2 * np.pi * grid / period
    phase = np.arctan2((sign * wave * np.sin(turn)).sum(), (sign * wave * np.cos(turn)).sum())
    shift = float(phase / (2 * np.pi) * period)
    lopsided = abs(float(wave.max() + wave.min()) - 2 * middle) / max(float(np.ptp(wave)), 1e-12)
    if lopsided < CLEARLY_LOPSIDED and _stands_on_ground(grey, row, shift):
        shift += period / 2
    place = row.place.copy()
    place[-1] += shift
    return replace(row, place=place)


def _stands_on_ground(grey: FloatImage, row: Sighting, shift: float) -> bool:
    """Whether what is taken for the lines is as bright as the ground beyond their ends.

    Soft lines and the gaps between them look alike, one dark, one bright; the ground tells them
    apart.
    """
    height, width = grey.shape
    c, s = np.cos(row.angle), np.sin(row.angle)
    at = np.polyval(row.place, row.numbers) + shift
    period = row.period
    beyond = np.array([0.4, 0.7, 1.0, 1.3]) * max(period, 4.0)
    inside = np.linspace(row.core[0] * 0.7 + row.core[1] * 0.3, sum(row.core) / 2, 8)
    across = np.concatenate([row.begins.min() - beyond, row.ends.max() + beyond])

    def middle_of(along: Array, t: Array) -> float:
        x = (along[:, None] * c - t * s + (width - 1) / 2).astype(np.float32)
        y = (along[:, None] * s + t * c + (height - 1) / 2).astype(np.float32)
        seen = (x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1)
        if not seen.any():
            return math.nan
        value = cv2.remap(grey, x, y, cv2.INTER_LINEAR)
        return float(np.median(value[seen]))

    line, gap = middle_of(at, inside), middle_of(at + period / 2, inside)
    ground = middle_of(at, across)
    return bool(abs(ground - line) < abs(ground - gap))


def _locate(
    cells: _Cells, row: Sighting, white_noise: float, bend: Bend
) -> tuple[Lines, float, Bend]:
    """The lines, and by how much their slant and their bend differ from what was supposed."""
    period = row.period
    first = int(row.numbers.min())
    value = _without_slope(cells, period)
    coefficients, harmonics, _ = _waveform(cells, value, period)
    wave, slope_of_wave = _evaluate(coefficients, harmonics, cells.offsets, period)
    # Pixels do not lie in the middle of their bins; to first order this is taken out by the slope.
    value = value - np.where(cells.count > 0, slope_of_wave * cells.stray, 0.0)
    coefficients, harmonics, _ = _waveform(cells, value, period)
    wave, slope_of_wave = _evaluate(coefficients, harmonics, cells.offsets, period)
    shift, error, amplitude, amplitude_error, residual_noise = _shifts(
        cells, value, wave, slope_of_wave
    )
    usable = np.isfinite(shift) & (amplitude > 0.3) & (np.abs(shift) < 0.35 * period)
    weight = np.where(usable, 1 / np.maximum(error, 1e-4) ** 2, 0)
    stands = np.polyval(row.place, np.arange(shift.shape[1]) + first)
    more = fit_bend(shift, weight, cells.t, stands, bend.middle, bend.seen)
    shift = shift - more.at(stands, cells.t[:, None])
    slant, line_shift, weight, wander = _combine_slabs(shift, weight, cells.t)
    bent = bend + more
    half = (row.core[1] - row.core[0]) / 2
    line_weight = weight.sum(axis=0)
    share = weight / np.maximum(line_weight, 1e-30)
    seen = line_weight > 0
    number = np.flatnonzero(seen) + first
    kept = np.isin(number, row.numbers)
    if kept.sum() < 4:
        raise NotMeasurable("the lines found at low resolution do not hold up in the full photo")
    number = number[kept]
    positions = (np.polyval(row.place, number) + line_shift[seen][kept]) * np.cos(np.arctan(slant))
    order = np.isin(row.numbers, number)
    fine = _evaluate(coefficients, harmonics, np.linspace(-0.5, 0.5, 65)[:-1] * period, period)[0]
    lines = Lines(
        angle=row.angle - float(np.arctan(slant)),
        period=period,
        numbers=number,
        positions=positions,
        errors=residual_noise / np.sqrt(line_weight[seen][kept]),
        across_mean=_mean_over(share, cells.t, bent, 1)[number - first],
        across_square=_mean_over(share, cells.t, bent, 2)[number - first],
        begins=row.begins[order],
        ends=row.ends[order],
        waveform=fine,
        noise=residual_noise,
        contrast=float(np.ptp(fine)),
        explained=_explained(_inner(cells, row), value, wave, white_noise),
        amplitudes=_line_amplitudes(amplitude, weight)[number - first],
        unsteadiness=_unsteadiness(_inner(cells, row), amplitude, amplitude_error),
        wander=wander,
        bow=bent.common(positions, half),
        alternation=_alternation(cells, value, wave),
    )
    return lines, slant, more


def _mean_over(share: Array, t: Array, bend: Bend, power: int) -> Array:
    """Mean of t, or of its square, over the parts that each line's place rests on: all of them speak
    for the part at the middle once their bend is taken out."""
    if bend.seen:
        return np.full(share.shape[1], bend.middle**power)
    return np.asarray((share * t[:, None] ** power).sum(axis=0))


def _without_slope(cells: _Cells, period: float) -> Array:
    """Cell values less the uneven light: each cell's mean and the trend from cell to cell."""
    weight = cells.count.sum(axis=2)
    mean = (cells.mean * cells.count).sum(axis=2) / np.maximum(weight, 1)
    filled = np.where(weight > 0, mean, np.nan)
    slope = np.zeros_like(mean)
    for j in range(len(mean)):
        good = np.isfinite(filled[j])
        if good.sum() >= 4:
            level = np.interp(np.arange(len(good)), np.flatnonzero(good), filled[j][good])
            level = uniform_filter1d(median_filter(level, 3, mode="nearest"), 5, mode="nearest")
            slope[j] = np.gradient(level) / period
    flat = cells.mean - mean[..., None] - slope[..., None] * cells.offsets
    return np.asarray(np.where(cells.count > 0, flat, 0.0))


def _design(harmonics: npt.NDArray[np.int64], offsets: Array, period: float) -> Array:
    phase = 2 * np.pi * offsets[:, None] * harmonics[None, :] / period
    return np.concatenate([np.cos(phase), np.sin(phase)], axis=1)


def _waveform(
    cells: _Cells, value: Array, period: float
) -> tuple[Array, npt.NDArray[np.int64], float]:
    """Harmonics of the mean waveform that stand above the noise, and the noise of one pixel."""
    count = cells.count.sum(axis=(0, 1))
    profile = (value * cells.count).sum(axis=(0, 1)) / np.maximum(count, 1)
    known = count > 0
    if known.sum() < MIN_BINS:
        raise NotMeasurable("the lines found at low resolution do not hold up in the full photo")
    even_cover = count.sum() ** 2 / (len(count) * (count**2).sum())
    share = NYQUIST_SHARE if even_cover > 0.8 else ALIGNED_NYQUIST_SHARE
    highest = max(1, int(share * period / 2))
    harmonics = np.arange(1, min(highest, max(1, (int(known.sum()) - 1) // 2), 200) + 1)
    deviation = ((value - profile) ** 2 * cells.count).sum()
    noise = float(np.sqrt(deviation / max(1.0, (cells.count > 0).sum() - known.sum())))
    if even_cover > 0.8 or period > MAX_SOLVED_PERIOD_PX:
        solution = _transformed(profile, known, harmonics)
    else:
        solution = _solved(profile, count, harmonics, cells.offsets, period)
    size = np.hypot(solution[: len(harmonics)], solution[len(harmonics) :])
    floor = HARMONIC_SIGNIFICANCE * noise * np.sqrt(2 / max(count.sum(), 1))
    kept = size > floor
    kept[0] = True
    both = np.concatenate([kept, kept])
    return solution[both], harmonics[kept], noise


def _transformed(
    profile: Array, known: npt.NDArray[np.bool_], harmonics: npt.NDArray[np.int64]
) -> Array:
    """Cosine and sine coefficients of a profile whose bins are filled evenly enough."""
    bins = np.arange(len(profile))
    filled = np.interp(bins, bins[known], profile[known], period=len(profile))
    spectrum = np.fft.rfft(filled)[harmonics] * 2 / len(profile)
    turned = spectrum * np.exp(-2j * np.pi * harmonics * (0.5 / len(profile) - 0.5))
    return np.concatenate([turned.real, -turned.imag])


def _solved(
    profile: Array, count: Array, harmonics: npt.NDArray[np.int64], offsets: Array, period: float
) -> Array:
    """The same by weighted least squares, for lines at whole px, which leave bins empty."""
    design = np.column_stack([np.ones(len(profile)), _design(harmonics, offsets, period)])
    weighted = design * count[:, None]
    normal = weighted.T @ design
    # The ridge leaves at zero what the filled bins cannot tell.
    normal[np.diag_indices_from(normal)] += 1e-6 * np.trace(normal) / len(normal)
    solution: Array = np.linalg.solve(normal, weighted.T @ profile)[1:]
    return solution


def _evaluate(
    coefficients: Array, harmonics: npt.NDArray[np.int64], offsets: Array, period: float
) -> tuple[Array, Array]:
    """The waveform and its derivative with respect to the offset, at `offsets`."""
    wave = _design(harmonics, offsets, period) @ coefficients
    turn = 2 * np.pi * harmonics / period
    half = len(harmonics)
    turned = np.concatenate([coefficients[half:] * turn, -coefficients[:half] * turn])
    return wave, _design(harmonics, offsets, period) @ turned


def _shifts(
    cells: _Cells, value: Array, wave: Array, slope: Array
) -> tuple[Array, Array, Array, Array, float]:
    """Least-squares shift and amplitude of each (slab, line) cell, and the noise of a pixel.

    Returns shift, its error for unit noise, amplitude, its error, and the noise.
    """
    basis = np.stack([np.ones_like(wave), wave, slope])
    products = (basis[:, None] * basis[None]).reshape(9, -1)
    normal = (cells.count @ products.T).reshape(*cells.count.shape[:2], 3, 3)
    right = (cells.count * value) @ basis.T
    diagonal = np.einsum("jnaa->jna", normal)
    filled = (cells.count > 0).sum(axis=2) >= MIN_BINS
    solvable = filled & (diagonal > 0).all(axis=2)
    ridge = np.eye(3) * (1e-9 * np.maximum(diagonal, 1e-12))[..., None]
    inverse = np.linalg.inv(np.where(solvable[..., None, None], normal + ridge, np.eye(3)))
    solution = np.einsum("jnab,jnb->jna", inverse, right)
    amplitude = np.where(solvable, solution[..., 1], 0.0)
    safe = np.where(np.abs(amplitude) > 1e-6, amplitude, np.inf)
    shift = np.where(solvable, -solution[..., 2] / safe, np.nan)
    error = np.sqrt(np.maximum(inverse[..., 2, 2], 0)) / np.abs(safe)
    model = solution @ basis
    misfit = np.where(solvable[..., None], (value - model) ** 2 * cells.count, 0).sum()
    freedom = (cells.count > 0)[solvable].sum() - 3 * solvable.sum()
    noise = float(np.sqrt(misfit / max(1.0, float(freedom))))
    error = np.where(error > 0, error, np.inf)
    amplitude_error = noise * np.sqrt(np.maximum(inverse[..., 1, 1], 0))
    return shift, error, amplitude, amplitude_error, max(noise, 1e-6)


def _combine_slabs(shift: Array, weight: Array, t: Array) -> tuple[float, Array, Array, float]:
    """Common slant of the lines, each line's shift at t = 0 after taking the slant out, the weights
    that this rests on, and how far the lines stray (rms) from straightness."""
    value = np.where(weight > 0, shift, 0.0)
    weight = weight.copy()
    slant, mean, total = 0.0, np.zeros(shift.shape[1]), weight.sum(axis=0)
    residual = np.zeros_like(value)
    for _ in range(4):
        total = weight.sum(axis=0)
        safe = np.maximum(total, 1e-30)
        centre = (weight * t[:, None]).sum(axis=0) / safe
        mean = (weight * value).sum(axis=0) / safe
        lever = t[:, None] - centre
        spread = float((weight * lever**2).sum())
        slant = float((weight * lever * (value - mean)).sum() / spread) if spread > 0 else 0.0
        residual = np.where(weight > 0, value - mean - slant * lever, 0.0)
        used = weight > 0
        scale = scatter(residual[used]) if used.any() else 0.0
        weight = np.where(np.abs(residual) > 4 * scale + 0.01, weight * 0.05, weight)
    at_zero = mean - slant * centre
    used = weight > 0
    wander = float(np.sqrt(np.mean(residual[used] ** 2))) if used.any() else 0.0
    return slant, at_zero, weight, wander


def _inner(cells: _Cells, row: Sighting) -> _Cells:
    """The cells in the middle of the core, where blur from the lines' ends does not reach."""
    margin = INNER_MARGIN * (row.core[1] - row.core[0])
    inner = (cells.t >= row.core[0] + margin) & (cells.t <= row.core[1] - margin)
    if not inner.any():
        return cells
    return replace(cells, count=cells.count * inner[:, None, None])


def _explained(cells: _Cells, value: Array, wave: Array, noise: float) -> float:
    """The share of the variation around a line that the common waveform explains.

    A ruled line is the same all along its length, a texture is not. So the pixels are averaged
    over blocks that are long along the line, where white noise of standard deviation `noise` falls
    away and structure does not, and what is left is compared with what the waveform predicts.
    """
    slabs, _, bins = value.shape
    blocks = int(np.clip(np.ptp(cells.offsets) / 2, 4, BLOCKS))
    groups = np.minimum(np.arange(bins) * blocks // bins, blocks - 1)
    starts = np.searchsorted(groups, np.arange(blocks))
    joined = _slabs_to_join(cells.count, blocks, wave, noise)
    edges = np.arange(0, slabs, joined)
    count = np.add.reduceat(np.add.reduceat(cells.count, starts, axis=2), edges, axis=0)
    total = np.add.reduceat(np.add.reduceat(value * cells.count, starts, axis=2), edges, axis=0)
    model = np.add.reduceat(np.add.reduceat(wave * cells.count, starts, axis=2), edges, axis=0)
    safe = np.maximum(count, 1)
    seen, predicted = total / safe, model / safe
    known = count > 0
    left = (known * ((seen - predicted) ** 2 - noise**2 / safe)).sum(axis=2)
    whole = (known * (seen**2 - noise**2 / safe)).sum(axis=2)
    floor = 0.05 * (known * predicted**2).sum(axis=2)
    share = 1 - np.maximum(left, 0) / np.maximum(np.maximum(whole, floor), 1e-12)
    full = known.all(axis=2) if known.all(axis=2).any() else known.any(axis=2)
    return float(np.median(share[full])) if full.any() else 0.0


def _slabs_to_join(count: Array, blocks: int, wave: Array, noise: float) -> int:
    """How many slabs a block must span for noise to be a small part of the waveform's power."""
    slabs = len(count)
    supported = count.sum(axis=2) > 0
    per_block = count.sum() / max(1, int(supported.sum())) / blocks
    wanted = (1.5 * noise) ** 2 / (NOISE_SHARE * max(float(np.mean(wave**2)), 1e-12))
    return int(np.clip(math.ceil(wanted / max(per_block, 1e-9)), 1, -(-slabs // 3)))


def _alternation(cells: _Cells, value: Array, wave: Array) -> float:
    """How much every other line differs from its neighbours, as a share of the contrast.

    Near 0 for a scale; large when what repeats is two unlike things, such as the two edges of one
    thick line, so that the true division is twice the period.
    """
    count = cells.count.sum(axis=0)
    mean = (value * cells.count).sum(axis=0) / np.maximum(count, 1)
    even, odd = mean[0::2], mean[1::2]
    both = (count[0::2].sum(axis=0) > 0) & (count[1::2].sum(axis=0) > 0)
    if len(odd) < 2 or not both.any():
        return 0.0
    difference = np.median(even, axis=0) - np.median(odd, axis=0)
    return float(np.sqrt(np.mean(difference[both] ** 2)) / max(float(np.ptp(wave)), 1e-9))
