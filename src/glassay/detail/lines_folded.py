"""The lines of a ruled scale in their own frame, and all of them folded over one division.

Folded onto one another by their measured places, lines sample one line far more finely than the
pixels do. Lengths in px, frequencies in cycles/px; light is linear and taken relative to that
about each line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable

Float = npt.NDArray[np.float64]

MIN_LINES = 8
"""Fewer lines leave gaps between the folded samples."""
HIGHEST_FREQUENCY = 0.85
"""Cycles/px up to which harmonics are used; above, errors of the lines' places outweigh the signal."""
FOLD_BINS_PER_PX = 8
MODEL_SHARE = 0.004
"""What harmonics and ends may be off by for other reasons than noise, as a share of the fundamental
and of the step: lines are not alike, tone curves are not exact, JPEG rings. Folded slides of cameras
with all of these scatter by 0.2 to 0.6 % about the family (study)."""
IGNORED = 10.0
"""Error of harmonics that do not count, as a share of the fundamental."""
BEYOND = 0.8
"""Divisions beyond a line's end up to which its pixels are collected."""
ENOUGH_VALUES = 400_000
"""Values near lines that suffice for a comparison of two outcomes from the same ones."""
GROUPS = 6
"""Groups of lines whose harmonics are compared for their error."""


@dataclass(frozen=True)
class Lines:
    """The lines in their own frame: pixel values near each with the place across and along it."""

    line: npt.NDArray[np.int64]
    across: Float
    along: Float
    value: Float
    pixel: npt.NDArray[np.intp]
    """Row and column of the photo behind each value (2, values)."""
    length: Float
    """Along each line from its middle to its ends: (lines, 2)."""
    middle: Float
    """Of each line: its middle's place across and along all lines (lines, 2), px."""
    alike: npt.NDArray[np.bool_]
    """Lines of the usual (shortest) length."""
    division: float

    @classmethod
    def of(cls, light: npt.NDArray[np.floating], segments: Float, division: float) -> Lines:
        """Collect the pixels within half a division across, and `BEYOND` divisions beyond each end."""
        height, width = light.shape
        middle = (segments[:, :2] + segments[:, 2:]) / 2
        vector = segments[:, 2:] - segments[:, :2]
        length = np.hypot(*vector.T)
        unit = np.median(vector / length[:, None], axis=0)
        unit /= np.hypot(*unit)
        unit = unit if unit[np.argmax(np.abs(unit))] > 0 else -unit
        half = length / 2
        reach = half + BEYOND * division
        parts: list[tuple[Any, ...]] = []
        for i, (cx, cy) in enumerate(middle):
            extent = np.abs(unit) * reach[i] + np.abs(unit[::-1]) * division / 2 + 1
            x0, x1 = max(0, int(cx - extent[0])), min(width, int(cx + extent[0]) + 2)
            y0, y1 = max(0, int(cy - extent[1])), min(height, int(cy + extent[1]) + 2)
            if x1 <= x0 or y1 <= y0:
                continue
            x, y = np.meshgrid(np.arange(x0, x1) - cx, np.arange(y0, y1) - cy)
            along, across = x * unit[0] + y * unit[1], x * unit[1] - y * unit[0]
            near = (np.abs(across) <= division / 2) & (np.abs(along) <= reach[i])
            row, column = (at + start for at, start in zip(np.nonzero(near), (y0, x0), strict=True))
            number = np.full(len(row), float(i))
            parts.append((number, across[near], along[near], row, column))
        if not parts:
            raise NotMeasurable("no line lies within the photo")
        line, across, along, row, column = (np.concatenate(p) for p in zip(*parts, strict=True))
        pixel = np.stack([row, column])
        alike = length < 1.12 * np.percentile(length, 25)
        return cls(
            line.astype(np.int64), across, along, light[row, column].astype(np.float64), pixel,
            np.stack([-half, half], axis=1),
            np.stack([middle @ [unit[1], -unit[0]], middle @ unit], axis=1), alike, division,
        )  # fmt: skip

    def thinned(self) -> Lines:
        """At most about `ENOUGH_VALUES` of the values, chosen evenly by chance, the same each time."""
        count = len(self.value)
        if count <= ENOUGH_VALUES:
            return self
        kept = np.flatnonzero(np.random.default_rng(1).random(count) < ENOUGH_VALUES / count)
        return replace(
            self, line=self.line[kept], across=self.across[kept], along=self.along[kept],
            value=self.value[kept], pixel=self.pixel[:, kept],
        )  # fmt: skip

    def ground(self) -> float:
        """Light between the lines: the median a third of a division and more from any."""
        return float(np.median(self.value[np.abs(self.across) > 0.4 * self.division]))


@dataclass(frozen=True)
class Fold:
    """The folded line: profile for drawing, amplitudes of its harmonics with their errors."""

    place: Float
    light: Float
    frequency: Float
    amplitude: Float
    error: Float
    odd: Float
    """What of the harmonics is odd about the line's middle, for a line of which one side is darker."""
    unlike: float
    """Standard deviation of the superposed lines' strengths, as a share of the median."""

    def without_weight(self) -> Fold:
        """The same, saying nothing of the response."""
        return replace(self, error=IGNORED * np.abs(self.amplitude[0]) + 0 * self.error)


def folded(rows: Lines) -> Fold:
    """Fold all lines over one division, each scaled by the light about it."""
    inner = np.abs(rows.along) < 0.8 * rows.length[rows.line, 1] - 0.1 * rows.division
    line, across, value = rows.line[inner], rows.across[inner], rows.value[inner]
    count = len(rows.length)
    ground = level(line, value, np.abs(across) > 0.35 * rows.division, count)
    usable = np.isfinite(ground[line]) & (ground[line] > 0)
    line, across, relative = line[usable], across[usable], value[usable] / ground[line[usable]]
    # Lines are aligned anew by the phase of their fundamental, and those that differ are left out.
    turn = np.exp(2j * np.pi * across / rows.division)
    weight = np.bincount(line, minlength=count)
    mean = np.bincount(line, relative, count) / np.maximum(weight, 1)
    first = _complex_sum(line, (relative - mean[line]) * turn, count) / np.maximum(weight, 1)
    strength = np.abs(first)
    middle = np.median(strength[weight > 0])
    good = (weight > 0) & (np.abs(strength - middle) < 0.3 * middle)
    if good.sum() < MIN_LINES:
        raise NotMeasurable("the lines differ too much from each other to be superposed")
    phase = np.angle(first * np.conj(first[good].sum()))
    shift = phase / (2 * np.pi) * rows.division
    kept = good[line]
    place, relative, line = across[kept] - shift[line[kept]], relative[kept], line[kept]
    unlike = float(strength[good].std(ddof=1) / middle)
    return _harmonics(place, relative, line, rows.division, unlike)


def level(line: Any, value: Float, chosen: Any, count: int) -> Float:
    total = np.bincount(line[chosen], value[chosen], count)
    number = np.bincount(line[chosen], minlength=count)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _complex_sum(line: Any, value: Any, count: int) -> Any:
    return np.bincount(line, value.real, count) + 1j * np.bincount(line, value.imag, count)


def _harmonics(place: Float, relative: Float, line: Any, division: float, unlike: float) -> Fold:
    """Least-squares harmonics, with errors from how the lines differ among each other."""
    most = int(min(HIGHEST_FREQUENCY * division, 24))
    bins = round(FOLD_BINS_PER_PX * division)
    wrapped = np.mod(place / division, 1.0)
    index = np.minimum((np.mod(wrapped + 0.5, 1.0) * bins).astype(int), bins - 1)
    number = np.bincount(index, minlength=bins)
    profile = np.bincount(index, relative, bins) / np.maximum(number, 1)
    # Lines belong to the groups in turn. Sums in bins hold all that is fitted, and are made once.
    rank = np.cumsum(np.bincount(line) > 0) - 1
    parts_of = _sums(wrapped, relative, rank[line] % GROUPS, most)
    whole = _solve(parts_of.sum(axis=1), most)
    centre = float(np.angle(whole[1]))
    if abs(centre) > np.pi / 2:  # a dark line: the middle is the line's, not the gap's
        centre -= np.copysign(np.pi, centre)
    parts = np.array([_solve(parts_of[:, part], most) for part in range(GROUPS)])
    k = np.arange(1, most + 1)
    turned = np.exp(-1j * k * centre)
    amplitude = (whole[1:] * turned).real
    scatter = (parts[:, 1:] * turned).real.std(axis=0, ddof=1) / np.sqrt(GROUPS)
    # Few groups tell the scatter of one harmonic badly: neighbours share theirs.
    smooth = np.sqrt(np.convolve(np.pad(scatter**2, 1, mode="edge"), np.ones(3) / 3, "valid"))
    error = np.hypot(smooth, MODEL_SHARE * abs(amplitude[0]))
    sign = 1.0 if amplitude[0] > 0 else -1.0
    filled = number > 0
    at = (np.flatnonzero(filled) + 0.5) / bins - 0.5
    odd = (whole[1:] * turned).imag
    return Fold(
        at * division, profile[filled], k / division, sign * amplitude, error, sign * odd, unlike
    )  # fmt: skip


def _sums(phase: Float, value: Float, group: Any, most: int) -> Float:
    """Count, sum of values and sum of phases (0..1) in fine bins: (3, groups, bins)."""
    bins = 16 * (most + 1)
    index = np.minimum((phase * bins).astype(np.intp), bins - 1) + bins * group
    sums = [np.bincount(index, weight, GROUPS * bins) for weight in (None, value, phase)]
    return np.array(sums, dtype=np.float64).reshape(3, GROUPS, bins)


def _solve(sums: Any, most: int) -> Any:
    """Complex harmonics 0..most, by least squares on bins with these sums (3, bins)."""
    number = sums[0]
    mean, place = sums[1:] / np.maximum(number, 1)
    seen = number > 0
    angle = 2 * np.pi * np.outer(place[seen], np.arange(most + 1))
    design = np.concatenate([np.cos(angle), np.sin(angle[:, 1:])], axis=1)
    root = np.sqrt(number[seen])
    fit = np.linalg.lstsq(design * root[:, None], mean[seen] * root, rcond=None)[0]
    sine = np.concatenate([[0.0], fit[most + 1 :]])
    return fit[: most + 1] - 1j * sine
