"""Where an array's edge is beside a narrow border that the lens does not resolve.

Shielded pixels around an array make a stripe that is often narrower than the blur. Its dark dip then
reaches into the array, and half-way between the array's colour and the dip lies inside the edge, by
as much as half the blur. The profile across a side is therefore compared with what it would be: an
even inside, a stripe, and what follows, all softened by one Gaussian. Stripe and blur can stand for
each other; all pairs of them that explain the profile, with no stripe darker than black, give the
range in which the edge can be.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

SOFTNESSES = np.linspace(0.45, 1.3, 10)
"""Blurs that are tried, over that of a plain step of the same steepness: a stripe narrower than the
blur makes the dip's flank steeper than a plain step's."""

SHIFTS = np.linspace(-1.5, 3.0, 46)
STRIPES = np.concatenate([np.geomspace(0.35, 9.0, 16), [1e3]])
"""Places of the edge about the steepest one, and widths of the stripe, over the same blur; the last
is no second edge at all."""

EXPLAINS = 1.3
UNEXPLAINED = 0.004
"""A stripe and a blur are believed up to this many times the residual of the best ones, plus this
part of the light inside: lenses are no Gaussians (flat: 1.2 to 1.6, 0.002 to 0.006)."""

BLACKEST = -0.03
"""Least light of a stripe, over that inside: sharpening in the camera goes a little below black."""

RESOLVED = 3.0
"""Width of a stripe, in blurs, from which it may also be of a colour between those on either side: a
narrower one would be the same as a softer edge, and every edge could be taken for one."""

MAIN_PART = 0.5
"""Part of a change from inside to outside that must be the edge's own, not that of the stripe's far
side: the profile is steep where its edge is."""

CALM = 0.15
"""Part of a change's steepest place below which the change is over."""


@dataclass(frozen=True)
class Edge:
    """Place of an edge on the axis of its profile, and half the range in which it can be."""

    place: float
    half_range: float


def place_edge(across: Array, profile: Array, steepest: float) -> Edge | None:
    """The edge near `steepest` in a profile (steps,), (steps, colours), going outward.

    None where the profile is not like an edge of an even field with or without a stripe.
    """
    slope = np.abs(np.gradient(profile, across, axis=0)).max(axis=1)
    start = int(np.argmin(np.abs(across - steepest)))
    near = slice(max(start - 3, 0), start + 4)
    start = near.start + int(np.argmax(slope[near]))
    blur = _blur(across, slope, start)
    first = int(np.searchsorted(across, across[start] - max(5 * blur, 4.0)))
    last = _end(slope, start)
    if blur <= 0 or start - first < 4 or last - start < 3:
        return None
    x = across[first : last + 1] - across[start]
    flank = profile[start + 1] - profile[start - 1]
    shift, rms = _fits(x / blur, profile[first : last + 1], flank)
    if not np.isfinite(rms).any():
        return None
    level = float(profile[first:start].mean(axis=0).max())
    believed = rms <= EXPLAINS * rms.min() + UNEXPLAINED * level
    low, high = shift[believed].min(), shift[believed].max()
    return Edge(float(across[start] + blur * (low + high) / 2), float(blur * (high - low) / 2))


def _blur(across: Array, slope: Array, start: int) -> float:
    """Standard deviation of a plain step whose flank towards the inside is as steep as this one's."""
    index = start
    while index > 0 and slope[index] > 0.6065 * slope[start]:  # a Gaussian at one deviation
        index -= 1
    return float(across[start] - across[index])


def _end(slope: Array, start: int) -> int:
    """Where what is next to the edge ends: behind the edge, or behind the stripe's far one."""
    end = start
    while end + 1 < slope.size and slope[end + 1] < slope[end]:
        end += 1
    far = end
    while far + 1 < slope.size and slope[far + 1] >= slope[far]:
        far += 1
    if slope[far] < CALM * slope[start]:
        return far
    while (
        far + 1 < slope.size and slope[far + 1] > CALM * slope[far] and slope[far + 1] < slope[far]
    ):
        far += 1
    return far


def _fits(x: Array, profile: Array, flank: Array) -> tuple[Array, Array]:
    """Shifts of the edge and residuals of the best stripe of each width and blur of each size, lengths
    in blurs; infinite where no stripe could be like that."""
    stripes, soft = np.meshgrid(STRIPES, SOFTNESSES, indexing="ij")
    best = np.full(stripes.shape, np.inf)
    shift = np.zeros(stripes.shape)
    for one in SHIFTS:
        inner = ndtr((x - one) / soft[..., None])
        outer = ndtr((x - one - stripes[..., None]) / soft[..., None])
        design = np.stack([1 - inner, inner - outer, outer, (1 - inner) * x], axis=-1)
        design[-1, :, :, 2] = 0
        square = np.swapaxes(design, -1, -2) @ design + 1e-9 * np.eye(4)
        levels = np.linalg.solve(square, np.swapaxes(design, -1, -2) @ profile)
        rms = np.sqrt(((design @ levels - profile) ** 2).mean(axis=-2).max(axis=-1))
        rms = np.where(_possible(levels, stripes, flank), rms, np.inf)
        better = rms < best
        best, shift = np.where(better, rms, best), np.where(better, one, shift)
    return shift, best


def _possible(levels: Array, stripes: Array, flank: Array) -> Flags:
    """Whether levels (..., [inside, stripe, outside, shading], colours) are those of a stripe of that
    width, in blurs, at whose edge colours change as they do along `flank`."""
    inside, stripe, outside = (levels[..., number, :] for number in range(3))
    black = (stripe < BLACKEST * inside).any(axis=-1)
    against = (stripe - inside) @ flank <= 0
    step_like = ((inside - stripe) * (outside - stripe)).sum(axis=-1) < 0
    change, whole = (np.abs(other - inside).max(axis=-1) for other in (stripe, outside))
    slight = change < MAIN_PART * whole
    return np.asarray(~(black | against | (step_like & (slight | (stripes < RESOLVED)))))
