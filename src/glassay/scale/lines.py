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

from glassay.errors import NotMeasurable
from glassay.fitting import scatter
from glassay.imaging.tone import FloatImage
from glassay.scale.bend import Bend, fit_bend
from glassay.scale.bent_ruling import Parts
from glassay.scale.line_cells import Cells, gather, inner
from glassay.scale.line_likeness import alternation, explained, line_amplitudes, unsteadiness
from glassay.scale.search import Sighting
from glassay.scale.waveform import evaluate, shifts, waveform, without_slope

Array = npt.NDArray[Any]

CLEARLY_LOPSIDED = 0.3
"""A waveform this much lopsided shows which part is the line: the narrower one."""


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
    `alternation` how much every second line differs from the others, `bent` whether a bend of the lines
    was seen, `parts` where the parts of each line stand.
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
    bent: bool
    parts: Parts


def refine(grey: FloatImage, mask: npt.NDArray[np.uint8] | None, sighting: Sighting) -> Lines:
    """Refine a `sighting` on the photo `grey` (height, width; square root of linear light).

    Raises `NotMeasurable` when the lines do not hold up at full resolution.
    """
    row = sighting
    lines: Lines | None = None
    row = _centred(grey, row, gather(grey, mask, row))
    white_noise = _white_noise(grey, row)
    bend = Bend(sum(row.core) / 2)
    for _ in range(5):
        cells = gather(grey, mask, row, bend)
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


def _centred(grey: FloatImage, row: Sighting, cells: Cells) -> Sighting:
    """Shift the expected places so that each line stands in the middle of its division.

    A line near the rim of its cell would be cut by it, and cut differently where its neighbours
    are shorter than itself, which would look like a slant.
    """
    period = row.period
    coefficients, harmonics, _ = waveform(cells, without_slope(cells, period), period)
    grid = np.linspace(-0.5, 0.5, 257)[:-1] * period
    wave = evaluate(coefficients, harmonics, grid, period)[0]
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
    cells: Cells, row: Sighting, white_noise: float, bend: Bend
) -> tuple[Lines, float, Bend]:
    """The lines, and by how much their slant and their bend differ from what was supposed."""
    period = row.period
    first = int(row.numbers.min())
    value = without_slope(cells, period)
    coefficients, harmonics, _ = waveform(cells, value, period)
    wave, slope_of_wave = evaluate(coefficients, harmonics, cells.offsets, period)
    # Pixels do not lie in the middle of their bins; to first order this is taken out by the slope.
    value = value - np.where(cells.count > 0, slope_of_wave * cells.stray, 0.0)
    coefficients, harmonics, _ = waveform(cells, value, period)
    wave, slope_of_wave = evaluate(coefficients, harmonics, cells.offsets, period)
    shift, error, amplitude, amplitude_error, residual_noise = shifts(
        cells, value, wave, slope_of_wave
    )
    usable = np.isfinite(shift) & (amplitude > 0.3) & (np.abs(shift) < 0.35 * period)
    weight = np.where(usable, 1 / np.maximum(error, 1e-4) ** 2, 0)
    stands = np.polyval(row.place, np.arange(shift.shape[1]) + first)
    parts = _parts(
        cells, stands, shift, np.where(usable, error * residual_noise, np.inf), bend, first
    )
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
    fine = evaluate(coefficients, harmonics, np.linspace(-0.5, 0.5, 65)[:-1] * period, period)[0]
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
        explained=explained(inner(cells, row), value, wave, white_noise),
        amplitudes=line_amplitudes(amplitude, weight)[number - first],
        unsteadiness=unsteadiness(inner(cells, row), amplitude, amplitude_error),
        wander=wander,
        bow=bent.common(positions, half),
        alternation=alternation(cells, value, wave),
        bent=bent.seen,
        parts=parts,
    )
    return lines, slant, more


def _parts(
    cells: Cells, stands: Array, shift: Array, errors: Array, bend: Bend, first: int
) -> Parts:
    """Where every part of every line was seen."""
    seen = np.isfinite(errors) & (errors > 0)
    slab, line = np.nonzero(seen)
    straight = stands[line] + shift[seen]
    across = cells.t[slab]
    return Parts(line + first, slab, straight + bend.at(straight, across), across, errors[seen])


def _mean_over(share: Array, t: Array, bend: Bend, power: int) -> Array:
    """Mean of t, or of its square, over the parts that each line's place rests on: all of them speak
    for the part at the middle once their bend is taken out."""
    if bend.seen:
        return np.full(share.shape[1], bend.middle**power)
    return np.asarray((share * t[:, None] ** power).sum(axis=0))


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
