"""How alike the lines of a scale are: along each, from one to the next, to their common waveform."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.fitting import SIGMA_OF_MAD
from glassay.scale.line_cells import Cells

Array = npt.NDArray[Any]

LOST_CONTRAST = 0.8
"""Slabs with less than this share of the usual contrast may lie at the lines' ends, or be crossed by
a base line."""
BLOCKS = 12
"""Parts of a division in which its likeness to the waveform is judged (fewer if below 2 px)."""
NOISE_SHARE = 0.03
"""Share of the waveform's power that noise may have in a block by which likeness is judged."""


def unsteadiness(cells: Cells, amplitude: Array, error: Array) -> float:
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


def line_amplitudes(amplitude: Array, weight: Array) -> Array:
    total = weight.sum(axis=0)
    return np.asarray((amplitude * weight).sum(axis=0) / np.maximum(total, 1e-30))


def explained(cells: Cells, value: Array, wave: Array, noise: float) -> float:
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


def alternation(cells: Cells, value: Array, wave: Array) -> float:
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
