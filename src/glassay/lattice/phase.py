"""Sub-pixel pitch of a known lattice, from the phase of its waves all over the picture.

A wave exp(2 pi i g.u) of the lattice is seen at x = u + distortion. Multiplied by exp(-2 pi i g.x)
and averaged over blocks, what is left is its local amplitude and a phase that turns slowly: evenly
where g is a little off, with the cube of the distance from the middle under radial distortion. A
linear fit of the phases thus gives g at the middle of the picture to a small part of 1 / length.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_erosion

from glassay.distortion import (
    HIGHER_ORDER_PASSES,
    USUAL_DISTORTION,
    Frame,
    higher_orders,
    posterior,
)
from glassay.errors import NotMeasurable
from glassay.fitting import Trimmed, patch_inflation, scatter, trimmed_fit
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

PERIODS_IN_BLOCK = 2.5
"""Longest periods of the pattern in a block: two keep neighbouring waves apart (the window's lobe)."""
SMALLEST_BLOCK_PX = 16
"""Side of blocks for patterns of 6 px and less: `PERIODS_IN_BLOCK` of them would be too few px for a
phase (not studied)."""

MOST_BLOCKS = 4096
"""64 blocks along either side: more add time, and nothing to a fit of at most nine unknowns."""

PRESENT = 0.35
"""Part of the typical amplitude from which a block counts as filled by the lattice."""

FEWEST_BLOCKS = 4
"""Phases follow a plane, which has three unknowns: four blocks can contradict it."""

ROUGH = 0.08
"""Largest scatter of the phases, in periods, about the fit. Lattices scatter by 0.001 to 0.03."""

SHOWS_DISTORTION = 0.6
"""Reach of the lattice, in half diagonals from the middle, from which its own distortion is fitted."""

ENOUGH_BLOCKS = 15
"""Blocks from which the distortion is fitted beside the steps."""

Z_KEPT = 3.0
SURE = 3.3
"""Standard errors beyond which a distortion is taken for real (normal, one in a thousand)."""


@dataclass(frozen=True)
class Waves:
    """The lattice's wave along one step: local amplitude (relative to the mean light) and phase in
    periods, in blocks, (rows, columns)."""

    amplitude: Array
    phase: Array


@dataclass(frozen=True)
class PhaseFit:
    """The step on the optical axis, cycles/px, with the covariance of its components, the
    rms of the phases about it (periods), the distortion at the corner (None: not fitted), and which
    blocks the lattice fills."""

    step: Array
    covariance: Array
    scatter: float
    distortion: float | None
    filled: Flags
    blocks: int


@dataclass(frozen=True)
class Blocks:
    """Blocks of `height` x `width` px that tile a picture from its top left: middles (rows,),
    (columns,)."""

    height: int
    width: int
    rows: Array
    columns: Array
    shape: tuple[int, int]

    @classmethod
    def over(cls, shape: tuple[int, int], period_px: float) -> Blocks:
        """Blocks of a few periods, larger in large pictures, never larger than the picture."""
        side = max(SMALLEST_BLOCK_PX, math.ceil(PERIODS_IN_BLOCK * period_px))
        side = max(side, math.ceil(math.sqrt(shape[0] * shape[1] / MOST_BLOCKS)))
        sides = [min(side, size) for size in shape]
        counts = [size // part for size, part in zip(shape, sides, strict=True)]
        middles = [
            np.asarray((np.arange(n) + 0.5) * part - 0.5, np.float64)
            for n, part in zip(counts, sides, strict=True)
        ]
        return cls(sides[0], sides[1], middles[0], middles[1], shape)


def waves(grey: FloatImage, step: Array, blocks: Blocks) -> Waves:
    """Local amplitude and phase of one wave of the lattice."""
    high, wide, rows, columns = blocks.height, blocks.width, blocks.rows.size, blocks.columns.size
    across, upright = (np.hanning(n + 2)[1:-1] for n in (wide, high))
    across, upright = across / across.sum(), upright / upright.sum()
    part = grey[: rows * high, : columns * wide].reshape(rows, high, columns, wide)
    x, y = np.arange(columns * wide), np.arange(rows * high)
    along = np.exp(-2j * np.pi * step[0] * x).reshape(columns, wide) * across
    down = np.exp(-2j * np.pi * step[1] * y).reshape(rows, high) * upright
    along, down = along.astype(np.complex64), down.astype(np.complex64)
    level = np.einsum("rycx,y,x->rc", part, upright, across, optimize=True)
    found = np.einsum("rycx,cx->ryc", part, along, optimize=True)
    found = np.einsum("ryc,ry->rc", found, down, optimize=True)
    leak = level * along.sum(axis=1)[None, :] * down.sum(axis=1)[:, None]
    found = 2 * (found - leak)
    amplitude = np.abs(found) / np.maximum(level, 1e-6)
    return Waves(amplitude.astype(np.float64), np.angle(found).astype(np.float64) / (2 * np.pi))


def fit_phase(wave: Waves, step: Array, blocks: Blocks, frame: Frame) -> PhaseFit:
    """Refine `step` by the phases of its wave, to that on the optical axis (`frame`, in px of the
    picture). Raises `NotMeasurable` when they do not follow."""
    filled = _filled(wave.amplitude)
    if filled.sum() < FEWEST_BLOCKS:
        raise NotMeasurable("the lattice covers too little of the picture to be measured")
    phase = _unwrapped(wave.phase, filled)
    reached = filled & np.isfinite(phase)
    usable = _inner(reached)
    y, x = np.meshgrid(blocks.rows, blocks.columns, indexing="ij")
    x, y = x[usable], y[usable]
    places = np.column_stack([x, y])
    x0, y0 = (places - frame.axis).T
    square = frame.square(places)
    columns = np.stack([np.ones_like(x0), x0, y0], axis=1)
    bend = (step[0] * x0 + step[1] * y0) * square
    straight = _robust(columns, phase[usable])
    fit, k, k_error = straight, 0.0, math.inf
    if usable.sum() >= ENOUGH_BLOCKS:
        # x = u (1 + k r_u^2) inverted is u = x (1 - k r^2 + ...), r being that seen
        for _ in range(HIGHER_ORDER_PASSES):
            higher = (step[0] * x0 + step[1] * y0) * higher_orders(k, square)
            fit = _robust(np.column_stack([columns, bend]), phase[usable] - higher)
            k, k_error = -float(fit.solution[3]), math.sqrt(fit.covariance[3, 3])
    shown = math.sqrt(float(square.max())) > SHOWS_DISTORTION and k_error < USUAL_DISTORTION
    if not shown and not abs(k) > SURE * k_error:
        fit = straight
    bent = fit is not straight
    if fit.rms > ROUGH or fit.kept.sum() < FEWEST_BLOCKS:
        raise NotMeasurable("what repeats in the picture does not keep its step evenly")
    reached[usable] = fit.kept
    together = patch_inflation(fit.residuals[fit.kept], places[fit.kept], fit.solution.size)
    extra = np.zeros((2, 2))
    if not bent:
        by_one = np.linalg.lstsq(columns, bend, rcond=None)[0][1:3]  # what a distortion of 1 adds
        extra = np.outer(by_one, by_one) * posterior(k, k_error) ** 2
    return PhaseFit(
        step=step + fit.solution[1:3],
        covariance=together * fit.covariance[1:3, 1:3] + extra,
        scatter=fit.rms,
        distortion=k if bent else None,
        filled=reached,
        blocks=int(fit.kept.sum()),
    )


def _filled(amplitude: Array) -> Flags:
    typical = float(np.percentile(amplitude, 90))
    return np.asarray(amplitude > PRESENT * typical)


def _inner(filled: Flags) -> Flags:
    """The blocks with filled ones all around them, if that leaves enough: in one across the edge of
    the lattice, what lies beyond moves the phase, on opposite sides by opposite amounts (up to 0.05
    periods, which is 3e-4 of the step of an array of 100 pixels)."""
    inner = binary_erosion(filled, np.ones((3, 3)), border_value=True)
    return np.asarray(inner if inner.sum() >= ENOUGH_BLOCKS else filled)


def _unwrapped(phase: Array, filled: Flags) -> Array:
    """Phase without jumps, walking over filled blocks from neighbour to neighbour; NaN elsewhere.

    Starts from the block with most filled ones around it; blocks that cannot be reached stay out.
    """
    out = np.full(phase.shape, np.nan)
    around = np.zeros(phase.shape)
    for dy, dx in ((0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (-1, -1), (1, -1), (-1, 1)):
        around += np.roll(filled, (dy, dx), axis=(0, 1))
    start = np.unravel_index(int(np.argmax(np.where(filled, around, -1))), phase.shape)
    out[start] = phase[start]
    queue = [(int(start[0]), int(start[1]))]
    for row, column in queue:
        for dy, dx in ((0, 1), (1, 0), (0, -1), (-1, 0)):
            y, x = row + dy, column + dx
            inside = 0 <= y < phase.shape[0] and 0 <= x < phase.shape[1]
            if inside and filled[y, x] and not np.isfinite(out[y, x]):
                turn = phase[y, x] - out[row, column]
                out[y, x] = phase[y, x] - round(float(turn))
                queue.append((y, x))
    return out


def _robust(design: Array, target: Array) -> Trimmed:
    """Least squares without the blocks that lie far off."""
    return trimmed_fit(design, target, limit=lambda off: Z_KEPT * scatter(off) + 1e-4)


@dataclass(frozen=True)
class Step:
    """A step of the reciprocal lattice, cycles/px, with the covariance of its components."""

    vector: Array
    covariance: Array
    freedom: float


def combined(fits: Sequence[PhaseFit], shares: Array) -> Step:
    """A step as a sum of measured waves."""
    vector = np.sum([s * fit.step for s, fit in zip(shares, fits, strict=True)], axis=0)
    parts = [s * s * fit.covariance for s, fit in zip(shares, fits, strict=True)]
    return Step(vector, np.sum(parts, axis=0), float(max(1, min(f.blocks for f in fits) - 4)))


def pitch_of(step: Step, other: Step | None) -> Quantity:
    """Distance in px, along the axis that belongs to `step`, from one site of the lattice to the
    next: with steps g and h of the reciprocal lattice |h| / |g x h|, which is 1 / |g| where they are
    at right angles, or where there is no h."""
    g = step.vector
    length = math.hypot(*g)
    value = 1 / length
    if other is not None:
        h = other.vector
        value = math.hypot(*h) / abs(float(g[0] * h[1] - g[1] * h[0]))
    unit = g / length
    u = math.sqrt(float(unit @ step.covariance @ unit)) / length * value
    return Quantity(value, "px", (Contribution("fit of the lattice", u, step.freedom),))
