"""From the spectra of an axis to a factor of enlargement, or to how far none is proven."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.sampling.alias import ALIAS_COHERENCE, is_mixed, settle_alias
from glassay.sampling.blocks import GridVerdict
from glassay.sampling.mirror import (
    GRID_HALF_WIDTH_BINS,
    HIGHEST_MIRROR,
    LOWEST_MIRROR,
    NOISE_STRENGTH,
    MirrorSpectrum,
    Spectrum,
    breadth,
    is_of_inner_grid,
)
from glassay.sampling.shrunk import may_be_shrunk

Source = Literal["noise", "photo", "noise and photo", "noise in blocks"]

PHOTO_STRENGTH = 8.0
"""The same in the photo's own detail, where a scene's repeated edges may correlate by chance.
Photographs reduced by whole factors stayed below 5.5."""

JOINT_STRENGTH = 5.5
JOINT_EACH = 3.0
"""Noise and photo together (root of the sum of squares), each contributing at one frequency."""

FAINT_STRENGTH = 6.0
"""Strength of a by-product from which the factor behind it is looked for ..."""

FAINT_SUPPORT = 4.5
"""... and the strength that the trace itself must have there (root of the sum of squares over noise
and photo, and both axes if their by-products agree). Few places are looked at."""

MOSAIC_COHERENCE = 0.2
"""By-products of demosaicing stay below this coherence; those of copying exceed it."""

LONE_STRENGTH = 8.0
"""Asked of a trace that only one axis shows: firmware that enlarges one axis alone is rare, a
by-product that passes `JOINT_STRENGTH` on one axis less so."""

PRIOR_STRENGTH = 3.5
"""Enough at the factor already found along the other axis: few frequencies are tried then."""

PRIOR_GRID_STRENGTH = 2 * NOISE_STRENGTH
"""On the compression grid itself something is always found; there a trace must be twice as strong as
the strongest that chance gives, on both axes, to mean anything."""

PRIOR_RANGE = 0.02
"""How far, relative, the two axes' factors may differ to profit from that. Whole native sizes make
them differ by a few parts in a thousand; unequal factors must show their own trace."""

SMALLEST_COHERENCE = 0.02
"""Weaker traces, however significant, can come from filters that treat odd and even pixels
slightly differently, as demosaicing does."""

PHOTO_COHERENCE = 0.35
"""Of a single photo more is asked: demosaicing leaves traces, at twice the factor of an enlarged
mosaic photo, of coherence up to 0.25 where edges are few, and nothing else tells them apart."""

SHARE_OF_EXPECTED = 0.3
"""A mirror must reach this share of the coherence that enlargement would give where it lies.
Demosaicing, which interpolates parts of the native picture by 2, stays below it (typically 0.1 to
0.2); true factors reach 0.8 and more, copied pixels 0.4."""

SEEN_STRENGTH = 10.0
"""A mirror counts as excluded when enlargement would have given it twice `NOISE_STRENGTH`."""

OWN_LINE_BINS = 0.75
"""Bins of 1/length about a place of the compression's grid within which its own line is strongest: in
native pairs, where it is strong at all, within 0.25; that of 1.345 was 1.5 beside the place of 4/3."""

PLAIN_GRID_COHERENCE = 0.5
"""Without compression, least coherence at multiples of 1/16 cycles/px (in the noise, or in a single
photo). The mosaic of a native photo gives up to 0.24 at 1/4 there, enlargement 0.7 and more."""

LEAST_BREADTH = 0.5
"""Breadth (see `mirror.breadth`) below which a mirror is a few lines of a scene that repeats: halfway
between such scenes (0.33 at most) and enlarged pictures (0.76 at least)."""


@dataclass(frozen=True)
class Rows:
    """What the spectra of an axis were made of, lines along it as rows: the photo's levelled detail,
    and of several exposures their residual as it is and levelled."""

    detail: FloatImage
    residual: FloatImage | None = None
    noise: FloatImage | None = None

    def show(self, frequency: float, *, noise_alone: bool) -> bool:
        """Whether a mirror there is in all of the band, and not in a few lines that the scene makes: in
        the noise, where there is any, and in the detail, unless the noise is clear `noise_alone`."""
        if self.noise is not None and breadth(self.noise, frequency) < LEAST_BREADTH:
            return False
        return noise_alone or breadth(self.detail, frequency) >= LEAST_BREADTH


@dataclass(frozen=True)
class Trace:
    """Enlargement found along one axis: `factor` with standard uncertainty `u`, and how."""

    factor: float
    u: float
    coherence: float
    strength: float
    source: Source


@dataclass(frozen=True)
class AxisEvidence:
    """What was looked at along one axis, for drawing and for words.

    `length` is the stored size, px. `expected` is the coherence that enlargement would give at each
    frequency of `spectrum` (of the noise; of the photo for a single frame). `reach` is the highest
    mirror up to which enlargement is excluded when no trace was found, cycles/px, 0 if none is.
    `faint` is the strongest mirror that is too faint for enlargement where it lies, `doubted` what
    would be the trace had making the picture smaller not left the same (see `shrunk`).
    """

    length: int
    noise: MirrorSpectrum | None
    photo: MirrorSpectrum
    grid: GridVerdict | None
    expected: Spectrum
    trace: Trace | None
    reach: float
    faint: Trace | None = None
    doubted: Trace | None = None


def find_trace(
    noise: MirrorSpectrum | None,
    photo: MirrorSpectrum,
    rows: Rows,
    expected: Spectrum | None,
    is_compressed: bool,
) -> tuple[Trace | None, Trace | None, Trace | None]:
    """The most coherent mirror that chance does not explain, the strongest by-product, and that mirror
    instead of the first where making the picture smaller may have left it.

    A by-product is a real mirror too faint for enlargement where it lies (see `settle_faint`).
    A mirror that a few lines of the spectrum make is the scene's, and counts for nothing. `noise` and
    `expected` (see `expected_coherence`) are None for a single photo.
    """
    free = _free(noise, photo, is_compressed)
    if noise is None:
        passed = free & (photo.strength >= PHOTO_STRENGTH)
        passed &= photo.coherence >= PHOTO_COHERENCE
        coherence, strength = photo.coherence, photo.strength
        source: Source = "photo"
    else:
        joint = np.hypot(noise.strength, photo.strength)
        both = (joint >= JOINT_STRENGTH) & (
            np.minimum(noise.strength, photo.strength) >= JOINT_EACH
        )
        passed = free & ((noise.strength >= NOISE_STRENGTH) | both)
        coherence = np.sqrt((noise.coherence**2 + photo.coherence**2) / 2)
        strength = joint
        source = "noise and photo"
    passed &= coherence >= SMALLEST_COHERENCE
    remaining = passed.copy()
    faint: Trace | None = None
    while remaining.any():
        best = int(np.argmax(np.where(remaining, coherence, 0.0)))
        remaining &= np.abs(photo.frequency - photo.frequency[best]) > 4 / photo.length
        settled = settle_alias(best, strength, coherence, photo, rows.residual)
        for place in _with_half(settled, best, photo, noise):
            # Compression leaves noise where the scene has detail: what repeats, repeats there, too.
            alone = noise is not None and bool(noise.strength[place] >= LONE_STRENGTH)
            if not rows.show(float(photo.frequency[place]), noise_alone=alone):
                break
            inner = is_compressed and is_of_inner_grid(photo, place, float(coherence[place]))
            if not inner and (
                noise is None
                or expected is None
                or noise.coherence[place] >= SHARE_OF_EXPECTED * expected[place]
            ):
                if noise is not None and photo.strength[place] < JOINT_EACH:
                    source = "noise"
                trace = trace_at(place, photo, coherence, strength, source)
                if faint and _is_mixed(trace, faint, photo.length, is_compressed):
                    continue
                if may_be_shrunk(noise, photo, trace.factor):
                    return None, faint, trace
                return trace, faint, None
        candidate = trace_at(best, photo, coherence, strength, source)
        if faint is None or candidate.strength > faint.strength:
            faint = candidate
    return None, faint, None


def _with_half(
    settled: int, best: int, photo: MirrorSpectrum, noise: MirrorSpectrum | None
) -> tuple[int, ...]:
    """The place that copies would mirror at, and with it the `best` one where that is a mosaic's: a
    mosaic enlarged by 3/2 leaves its by-product, at 3, where copies by 3 show their own mirror."""
    if noise is None or noise.coherence[settled] >= noise.coherence[best]:
        return (settled,)
    twice = photo.frequency[best] / photo.frequency[settled]
    return (settled, best) if abs(float(twice) / 2 - 1) <= PRIOR_RANGE else (settled,)


def _is_mixed(trace: Trace, other: Trace, length: int, is_compressed: bool) -> bool:
    """Whether a more coherent mirror of the same axis explains this one, of which it is no mosaic's
    by-product."""
    if abs(other.factor / (2 * trace.factor) - 1) <= PRIOR_RANGE:
        return False
    return trace.coherence < other.coherence and is_mixed(
        trace.factor, other.factor, length, is_compressed
    )


def settle_faint(
    noises: Sequence[MirrorSpectrum],
    photos: Sequence[MirrorSpectrum],
    faints: Sequence[Trace],
    *,
    is_enlarged: bool = False,
) -> tuple[Trace, ...] | None:
    """What a by-product at factor S gives away: a mosaic enlarged by S/2, or copies by S/(S - 1).

    Demosaicing interpolates the native mosaic by 2, copying mirrors at s/(s - 1) as well (see
    `settle_alias`); compression may leave more of those than of the trace itself. The one of the
    two that shows at all, along all given axes together, is taken. `is_enlarged` says that an axis
    besides these is.
    """
    best: tuple[float, tuple[Trace, ...]] | None = None
    clearest = max(faint.coherence for faint in faints)
    for origin in (_copied,) if clearest > MOSAIC_COHERENCE else (_half, _copied):
        traces = []
        for noise, photo, faint in zip(noises, photos, faints, strict=True):
            mirror = 1 / (2 * origin(faint.factor))
            joint = np.hypot(noise.strength, photo.strength)
            near = np.abs(photo.frequency - mirror) <= 1.2 / photo.length
            near &= mirror <= HIGHEST_MIRROR
            if not near.any() or (photo.on_grid & near).any():
                break
            index = int(np.argmax(np.where(near, joint, 0.0)))
            trace = trace_at(index, photo, noise.coherence, joint, "noise and photo")
            if origin is _copied and trace.coherence < ALIAS_COHERENCE * faint.coherence:
                break
            if may_be_shrunk(noise, photo, trace.factor, is_enlarged=is_enlarged):
                break
            traces.append(trace)
        if len(traces) == len(faints):
            support = float(np.sqrt(sum(trace.strength**2 for trace in traces)))
            if support >= FAINT_SUPPORT and (best is None or support > best[0]):
                best = support, tuple(traces)
    return None if best is None else best[1]


def _half(factor: float) -> float:
    return factor / 2


def _copied(factor: float) -> float:
    return factor / (factor - 1)


def _free(
    noise: MirrorSpectrum | None, photo: MirrorSpectrum, is_compressed: bool
) -> npt.NDArray[np.bool_]:
    """Where a mirror is not a compression grid's own, nor a mosaic's in a photo without a grid."""
    spectra = [photo] if noise is None else [noise, photo]
    if is_compressed:
        taken = [spectrum.on_grid | spectrum.beside_grid for spectrum in spectra]
        return np.asarray(~np.logical_or.reduce(taken), dtype=np.bool_)
    surest = spectra[0]
    return np.asarray(~surest.on_grid | (surest.coherence >= PLAIN_GRID_COHERENCE), dtype=np.bool_)


def find_near(
    noise: MirrorSpectrum | None,
    photo: MirrorSpectrum,
    sure: Trace,
    faint: Trace | None,
    is_compressed: bool,
) -> Trace | None:
    """A trace at about the factor of the `sure` one that the other axis shows.

    None where it is what the axis' own by-product `faint`, that of another factor, leaves there."""
    factor = sure.factor
    strength = photo.strength if noise is None else np.hypot(noise.strength, photo.strength)
    coherence = photo.coherence if noise is None else noise.coherence
    near = np.abs(2 * photo.frequency * factor - 1) < PRIOR_RANGE
    # On the compression grid something is always found; there it must be strong to mean anything.
    on_grid = PRIOR_GRID_STRENGTH if sure.strength >= PRIOR_GRID_STRENGTH else np.inf
    near &= strength >= np.where(photo.on_grid, on_grid, PRIOR_STRENGTH)
    near &= photo.on_grid | ~photo.beside_grid
    if not near.any():
        return None
    best = int(np.argmax(np.where(near, strength, 0.0)))
    source: Source = "photo" if noise is None else "noise and photo"
    trace = trace_at(best, photo, coherence, strength, source)
    is_other = faint is not None and _is_mixed(trace, faint, photo.length, is_compressed)
    return None if is_other else trace


def trace_at(
    index: int, spectrum: MirrorSpectrum, coherence: Spectrum, strength: Spectrum, source: Source
) -> Trace:
    frequency = float(spectrum.frequency[index])
    # Neighbouring frequencies lie 1 / (2 length) apart; the peak is within half of that.
    u = 0.5 / (2 * spectrum.length) / 3**0.5
    factor = 1 / (2 * frequency)
    return Trace(
        factor, factor * u / frequency, float(coherence[index]), float(strength[index]), source
    )


def _is_beside_its_grid(spectrum: MirrorSpectrum, place: float) -> bool:
    """Whether what mirrors about a place of the compression's grid is strongest beside it: enlargement
    by a factor close to that of the place, which the signs of block coefficients do not show."""
    best = spectrum.peak_at(place)
    away = abs(float(spectrum.frequency[best]) - place) * spectrum.length
    is_seen = bool(spectrum.strength[best] >= SEEN_STRENGTH)
    return is_seen and OWN_LINE_BINS < away <= GRID_HALF_WIDTH_BINS


def excluded_reach(
    spectrum: MirrorSpectrum,
    expected: Spectrum,
    grid: GridVerdict | None,
    is_compressed: bool,
    factors: Sequence[float],
) -> float:
    """Highest mirror frequency up to which every enlargement would have been seen; 0 if none."""
    # The coherence that chance gives: its ratio to strength is that of the number of pairs.
    chance = np.median(spectrum.coherence / np.maximum(spectrum.strength, 1e-6))
    seen = (expected >= SEEN_STRENGTH * chance) & (expected >= 4 * SMALLEST_COHERENCE)
    if (~spectrum.on_grid & ~spectrum.beside_grid & (spectrum.strength >= FAINT_STRENGTH)).any():
        return 0.0  # something was enlarged, though it is not clear by what factor
    if is_compressed and any(_is_beside_its_grid(spectrum, 1 / (2 * one)) for one in factors):
        return 0.0
    hidden = np.flatnonzero(~seen & ~spectrum.on_grid)
    reach = HIGHEST_MIRROR if hidden.size == 0 else float(spectrum.frequency[hidden[0]])
    on_grid_strong = spectrum.on_grid & (spectrum.strength >= NOISE_STRENGTH)
    for factor in factors:
        mirror = 1 / (2 * factor)
        near = np.abs(spectrum.frequency - mirror) < 2 / spectrum.length
        if not is_compressed and not (on_grid_strong & near).any():
            continue
        if grid is None or not grid.excludes(factor):
            reach = min(reach, mirror)
    return 0.0 if reach <= LOWEST_MIRROR + 0.01 else reach
