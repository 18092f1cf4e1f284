"""The edge spread along the lines of a ruled scale, where they end.

A line's end is a step whatever the line's width: summed across one whole division it is the edge
spread along the line. Lengths in px.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.detail.lines_folded import BEYOND, MIN_LINES, MODEL_SHARE, Lines, level
from glassay.detail.response_model import FREQUENCY
from glassay.fitting import SIGMA_OF_MAD

Float = npt.NDArray[np.float64]

END_BIN_PX = 0.25
END_COLUMN_PX = 0.4
ALIKE_PX = 2.0
"""Over how far along an end what `MODEL_SHARE` stands for stays the same: bins within it share one
error, whose weight they would else multiply."""
END_MODEL_SHARE = MODEL_SHARE * np.sqrt(ALIKE_PX / END_BIN_PX)
MOST_GAP = 0.12
"""Largest gap between samples across a division, as a share of it, over which a mean is trusted."""
EVEN_SHARE, EVEN_WITHIN = 0.95, 0.15
"""Ends are even where this share of all lines, long ones too, end within that share of a division."""
WIDE_EDGE = 0.2
"""Width of an edge over the division from which light of one line reaches the next one's window:
beside a longer neighbour the sum over one division is then no edge spread. Without noise, ends of
lines of three lengths are off by 0.1 % of the step at 0.15, by 1.2 % at 0.33; even ones by 0.1 %."""
TURNS, WINDOW, LEAST_WINDOW_PX, SHAPE_BIN_PX, FEWEST_BINS = 4, 2.0, 4.0, 0.5, 6
"""How often the ends' places are sought, the last times within so many widths of the step, or px: over
a whole window dust, an uneven ground and lines unevenly dark move them by px."""
MOST_UNEVEN_END = 0.25
"""Largest change of light, as a share of the step, beyond an end or before it: a base line, numerals
or dirt make more of it, and such an end is not used."""


@dataclass(frozen=True)
class Step:
    """Edge spread along the lines at their ends: place (px), share of the step, its error."""

    place: Float
    value: Float
    error: Float
    lines: int
    is_even: bool
    """Whether the lines beside end there too."""

    @property
    def width(self) -> float:
        """About the width of the edge from 10 to 90 %, px: the inverse of its steepest slope."""
        smooth = np.convolve(self.value, np.ones(5) / 5, "valid")
        return 1 / max(float(np.max(-np.gradient(smooth, self.place[2:-2]))), 1e-3)


def steps_in(rows: Lines) -> list[Step]:
    """The steps at the lower and the upper ends of the lines, those that are plain steps.

    Where edges are wide, ends at which some lines go on count only if there are no others.
    """
    found = [step for upper in (False, True) if (step := _ends(rows, upper)) is not None]
    even = [step for step in found if step.is_even]
    wide = any(step.width > WIDE_EDGE * rows.division for step in found)
    return even if even and wide else found


def _ends(rows: Lines, upper: bool, later: float | None = None) -> Step | None:
    """The step at one end of the lines of usual length; None where it is no plain step. `later`: by how
    much lines end beyond where they were found to (px); None: not known yet."""
    sign = 1.0 if upper else -1.0
    count = len(rows.length)
    mine = rows.alike[rows.line]
    line, value = rows.line[mine], rows.value[mine]
    along = sign * rows.along[mine] - rows.length[line, 1] - (later or 0.0)
    across = rows.across[mine]
    reach = 0.6 * rows.division
    near = np.abs(along) <= reach
    line, along, across, value = line[near], along[near], across[near], value[near]
    ground = level(line, value, (along > 0.5 * reach), count)
    inner = level(line, value, (along < -0.5 * reach), count)
    depth = inner - ground
    whole = np.isfinite(depth)
    if whole.sum() < MIN_LINES:
        return None
    middle = np.median(depth[whole])
    spread = SIGMA_OF_MAD * np.median(np.abs(depth[whole] - middle))
    if spread > 0.25 * abs(middle):
        return None
    good = whole & (np.abs(depth - middle) < 0.35 * abs(middle))
    shift = np.zeros(count)
    for turn in range(TURNS):
        kept = good[line]
        place = along[kept] - shift[line[kept]]
        share = (value[kept] - ground[line[kept]]) / middle
        if turn < TURNS // 2:
            own = _by_integral(line[kept], share, count, reach)
        else:
            own = shift + _by_shape(line[kept], place, across[kept], share, count, reach)
        good = good & np.isfinite(own)
        if good.sum() < MIN_LINES:
            return None
        # The ends of one length lie on a line, slightly bent by distortion.
        end = sign * rows.middle[:, 1] + rows.length[:, 1] + np.where(good, own, 0.0)
        order = rows.middle[:, 0] - np.mean(rows.middle[good, 0])
        bend = np.polynomial.polynomial.polyfit(order[good], end[good], 2)
        straight = np.polynomial.polynomial.polyval(order, bend)
        off = np.abs(end - straight)
        good = good & (off < max(3 * SIGMA_OF_MAD * float(np.median(off[good])), 0.05))
        shift = straight - sign * rows.middle[:, 1] - rows.length[:, 1]
    if later is None:
        # Once more in a window about where they do end: its far sides must show both levels.
        most = BEYOND * rows.division - reach
        return _ends(rows, upper, float(np.clip(np.median(shift[good]), -most, most)))
    kept = good[line]
    place = along[kept] - shift[line[kept]]
    share = (value[kept] - ground[line[kept]]) / middle
    is_even = np.mean(np.abs(end - straight) < EVEN_WITHIN * rows.division) >= EVEN_SHARE
    binned = _binned(place, across[kept], share, reach, rows.division)
    return None if binned is None else Step(*binned, int(good.sum()), bool(is_even))


def _by_integral(line: Any, share: Float, count: int, reach: float) -> Float:
    """By how much each line ends later than the middle of the window: the integral of its step."""
    total = np.bincount(line, share, count) / np.maximum(np.bincount(line, minlength=count), 1)
    return np.asarray((total - 0.5) * 2 * reach)


def _by_shape(
    line: Any, place: Float, across: Float, share: Float, count: int, reach: float
) -> Float:
    """By how much each line ends later than `place` 0, by least squares on the shape that all have in
    common, within a few widths of it: the line's across, as it is before its end, times the step along.

    Its level and its height are each line's own, which over a whole window move the end by px.
    """
    before = place < -0.5 * reach
    if not before.any():
        return np.full(count, np.inf)
    dark = _profile(across[before], share[before], across)
    bins = int(2 * reach / SHAPE_BIN_PX)
    edges = np.linspace(-reach, reach, bins + 1)
    at = np.clip(np.digitize(place, edges) - 1, 0, bins - 1)
    filled, mean = _means(at, share)
    grid = (0.5 * (edges[1:] + edges[:-1]))[filled]
    if len(grid) < FEWEST_BINS:
        return np.full(count, np.inf)
    shape = np.interp(place, grid, mean)
    slope = np.interp(place, grid, np.gradient(mean, grid))
    rise = np.abs(np.gradient(np.clip(mean, 0.1, 0.9)))
    width = 2.56 * math.sqrt(float((rise * grid**2).sum() / max(float(rise.sum()), 1e-9)))
    near = np.abs(place) <= max(WINDOW * width, LEAST_WINDOW_PX)
    shaped = dark[near] * np.array([slope[near], shape[near]])
    mine, columns = line[near], [*shaped, np.ones(int(near.sum()))]
    normal = np.array([[np.bincount(mine, a * b, count) for b in columns] for a in columns])
    right = np.array([np.bincount(mine, a * share[near], count) for a in columns])
    stiff = normal.transpose(2, 0, 1) + 1e-9 * np.eye(3)
    moved, height, _ = np.linalg.solve(stiff, right.T[..., None])[..., 0].T
    return np.where(np.abs(height) > 0.5, -moved / np.where(height == 0, 1, height), np.inf)


def _profile(across: Float, share: Float, at: Float) -> Float:
    """What lines take across them, at the places `at`, from values before their ends."""
    low = float(across.min())
    index = ((across - low) / SHAPE_BIN_PX).astype(int)
    _, mean, middle = _means(index, share, across)
    return np.asarray(np.interp(at, middle, mean))


def _means(index: Any, *values: Float) -> tuple[Any, ...]:
    """The numbers of the bins that hold anything, and the mean of each of the values in them."""
    number = np.bincount(index)
    filled = np.flatnonzero(number)
    return filled, *(np.bincount(index, one)[filled] / number[filled] for one in values)


def _binned(
    place: Float, across: Float, share: Float, reach: float, division: float
) -> tuple[Float, Float, Float] | None:
    """Mean over one whole division across, in bins along: by trapezoids between columns of samples,
    for at some tilts the pixels of a row of the photo stand at few places across."""
    columns = max(8, round(division / END_COLUMN_PX))
    rows = int(2 * reach / END_BIN_PX)
    i = np.floor((place + reach) / END_BIN_PX).astype(int)
    j = np.clip(((across / division + 0.5) * columns).astype(int), 0, columns - 1)
    inside = (i >= 0) & (i < rows)
    cell, inner = i[inside] * columns + j[inside], share[inside]

    def summed(weight: Float | None = None) -> Float:
        total: Float = np.bincount(cell, weight, rows * columns).astype(np.float64)
        return total.reshape(rows, columns)

    number = summed()
    many = np.maximum(number, 1)
    mean = summed(inner) / many
    middle = summed(across[inside]) / many
    within = np.maximum(summed(inner**2) / many - mean**2, 0)
    value, seen = np.zeros(rows), np.zeros(rows, dtype=bool)
    error = np.ones(rows)
    for row in range(rows):
        filled = np.flatnonzero(number[row])
        if len(filled) < 0.4 * columns:
            continue
        x, y = middle[row, filled], mean[row, filled]
        gap = np.diff(x, append=x[0] + division)
        if gap.max() > MOST_GAP * division:
            continue
        weight = (gap + np.roll(gap, 1)) / (2 * division)
        held = number[row, filled]
        noise = (held * within[row, filled]).sum() / max(1.0, float((held - 1).sum()))
        value[row] = weight @ y
        error[row] = np.sqrt(noise * (weight**2 / number[row, filled]).sum())
        seen[row] = True
    if seen.mean() < 0.8:
        return None
    value = value[seen]
    uncertain = np.asarray(np.hypot(error[seen], END_MODEL_SHARE), dtype=np.float64)
    at = ((np.arange(rows) + 0.5) * END_BIN_PX - reach)[seen]
    flat = np.abs(at) > 0.7 * reach
    sides = [value[flat & (at > 0)], value[flat & (at < 0)]]
    if any(len(side) == 0 or np.ptp(side) > MOST_UNEVEN_END for side in sides):
        return None
    return np.asarray(at, dtype=np.float64), value, uncertain


def step_kernel(place: Float) -> Float:
    """Matrix that turns a response on `FREQUENCY` into a falling edge spread at `place`.

    E(t) = 1/2 - integral of M(f) sin(2 pi f t) / (pi f) df, the transform of a unit step.
    """
    f = FREQUENCY[None, :]
    step = FREQUENCY[1] - FREQUENCY[0]
    kernel: Float = 2 * step * place[:, None] * np.sinc(2 * f * place[:, None])
    kernel[:, 0] /= 2
    kernel[:, -1] /= 2
    return kernel


def shifted_kernel(place: Float) -> Float:
    """Matrix that turns the odd part of a spectrum, over pi f, on `FREQUENCY` into light at `place`."""
    step = FREQUENCY[1] - FREQUENCY[0]
    kernel: Float = -step * np.cos(2 * np.pi * np.outer(place, FREQUENCY))
    kernel[:, 0] /= 2
    kernel[:, -1] /= 2
    return kernel
