"""The pixels about a scale's lines, binned by the part of a line, its number and the offset from it.

Nothing is resampled: a pixel counts where it lies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.scale.bend import Bend
from glassay.scale.hierarchy import LONGEST_LINE
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
END_MARGIN = 0.08
"""Share of a line's length left out at either end, where caps and base lines disturb it."""
INNER_MARGIN = 0.2
"""Share of the core's height left out at either end when the lines' likeness is judged."""


@dataclass(frozen=True)
class Cells:
    """Mean values of the pixels in each bin, and how many they are."""

    mean: Array  # (slabs, lines, bins)
    count: Array
    t: Array  # (slabs,) middle of each slab across the axis
    offsets: Array  # (bins,) px from the expected position
    stray: (
        Array  # (slabs, lines, bins) mean distance of the pixels from the middle of their bin, px
    )


def gather(
    grey: FloatImage, mask: npt.NDArray[np.uint8] | None, row: Sighting, bend: Bend | None = None
) -> Cells:
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
    return Cells(np.where(count > 0, mean, 0.0), count, t, offsets, stray)


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


def inner(cells: Cells, row: Sighting) -> Cells:
    """The cells in the middle of the core, where blur from the lines' ends does not reach."""
    margin = INNER_MARGIN * (row.core[1] - row.core[0])
    inner = (cells.t >= row.core[0] + margin) & (cells.t <= row.core[1] - margin)
    if not inner.any():
        return cells
    return replace(cells, count=cells.count * inner[:, None, None])
