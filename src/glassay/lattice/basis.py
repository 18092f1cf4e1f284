"""From spectral peaks to a lattice: two steps that explain the peaks, and what they mean.

A sensor under a colour mosaic repeats every second pixel only. At the mosaic's own frequencies
colours alternate (red is bright where blue is dark); at those of the pixels all colours agree. That
tells one from the other in a colour photo. In a grey one the same mosaic shows as a lattice turned
by 45 degrees, of its green pixels, with strong diagonal neighbours; but so do weave, a chessboard of
dots and much else. Without colours no mosaic is told: what may be one is refused, with the question.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.lattice.finer import Finer, finer_lattices
from glassay.lattice.mosaic_cell import (
    GREEN_LEFT,
    MAIN,
    Mosaic,
    amplitudes,
    cells_within,
    is_hexagonal,
    is_red_and_blue,
    is_rhombic,
    mosaic_of,
    orders_of,
    pixels_in_period,
)
from glassay.lattice.peaks import MIN_PERIOD_PX, Peak

Array = npt.NDArray[np.float64]

EXPLAINED = 0.85
"""Share of the peaks' power that one lattice must explain. True lattices explain all but stray
lines of their surroundings; moire mixed with what is resolved explains 0.5 to 0.8."""

ENOUGH = 0.92
"""Of two lattices, the wider one is taken if it explains this part of what the denser one does: a
dense lattice also catches stray peaks, such as those that compression makes (up to 5 %)."""

ENOUGH_BESIDE = 0.75
"""The same of the peaks off the strongest one's direction. Where stripes outshine what crosses them, as
on a screen, 0.95 of the power lies on one line, and any step across it would do; a step twice too wide
in frequency misses at least half of what is beside."""

TOLERANCE = 0.45
"""How far a peak may be from its place in a lattice, samples of the spectrum. Peaks are placed to
0.1; a third is added for each order."""

FAINT = 0.05
"""Amplitude relative to the largest below which a peak takes no part."""

LEAST_AMPLITUDE = 0.025
"""Amplitude, relative to the mean light, of the faintest pattern that is believed. Half of all
simulated moire was fainter, lattices that are resolved hardly ever."""

DIAGONAL = 0.8
"""Amplitude on the diagonal over that along the sides from which a faint pattern is taken for
moire: cells and optics both weaken the finer diagonal waves."""

SMALL_PARTS = 24
"""Denominator to which fractions of waves are rounded: all of those of low orders divide it."""

COLOUR_PERIOD_PX = 4.2
CLEAR = 0.1
"""A faint pattern (below this amplitude) in a colour photo needs this period: behind a colour
camera's own mosaic, red and blue are sampled at every second px only."""

HIGHEST_ORDER = 8
"""Sum of both orders up to which a peak may be explained: waves of square cells fall as 1 / order,
and an eighth of the first is below what stands beside them."""


MOST_SEEDS = 10
"""Waves from which steps are made, the strongest: with all their differences 100. The first order
and the diagonals, of which one pair makes the lattice, are four of a lattice's waves."""


USED_COLOUR = 0.3
"""Green is the colour in which phases are measured wherever it has this part of the strongest one's
amplitude: most lenses magnify red and blue a little differently."""


class MoireSuspected(NotMeasurable):
    """What repeats may be moire of something finer than the px: a reduced copy would show no less."""


@dataclass(frozen=True)
class Steps:
    """Steps of the reciprocal lattice, cycles/px: `x` nearer to the picture's rows direction.

    `y` is None for a pattern that repeats in one direction only. `mosaic` is how many pixels make
    one period of the colour mosaic (1: none); `seen` tells whether the pixels' own frequency was
    resolved or follows from the mosaic's. `waves` are frequencies that were seen, from which `x`
    and `y` follow as sums: `x = shares[0] @ waves`, and `channels` the colours in which they are
    measured (0 in a grey picture). `explained` see `EXPLAINED`. `finer` are lattices of which all
    this may be moire, in cycles per px of the photo.
    """

    x: Array
    y: Array | None
    mosaic: int
    coloured: bool
    seen: bool
    explained: float
    waves: tuple[Array, ...]
    channels: tuple[int, ...]
    shares: Array
    finer: tuple[Finer, ...] = ()


def find_steps(
    peaks: Sequence[Peak], tile: tuple[int, int], mosaic: Mosaic = "auto", reduced_by: int = 1
) -> Steps:
    """The pixel lattice behind the peaks of a spectrum averaged over tiles of (height, width) px, of a
    photo or of a copy `reduced_by` so much.

    `mosaic` "colour" states that a two by two colour mosaic lies over the pixels, "none" that there
    is none, "auto" lets the peaks' colours tell. Raises `NotMeasurable` when they are no lattice, or
    moire, or where it matters whether there is a mosaic and no colours tell.
    """
    if not peaks:
        raise NotMeasurable(
            "nothing in the picture repeats evenly (or too finely for its px); a closer photo is"
            " needed"
        )
    largest = max(p.amplitude for p in peaks)
    if largest < LEAST_AMPLITUDE:
        raise NotMeasurable(
            f"what repeats in the picture has a contrast of only {largest:.1%}, too faint to be told"
            " from moire; a closer or sharper photo is needed"
        )
    strong = sorted((p for p in peaks if p.amplitude >= FAINT * largest),
                    key=lambda p: -p.amplitude)  # fmt: skip
    bins = np.array(tile[::-1], dtype=np.float64)
    flat = _single_direction(strong, bins)
    if flat is not None:
        step = (flat.x, None)
        return replace(flat, finer=finer_lattices(strong, bins, step, step, reduced_by))
    a, b, explained = _primitive(strong, bins)
    if explained < EXPLAINED:
        raise MoireSuspected(
            "what repeats in the picture is no single lattice; it looks like moire of a pattern"
            " finer than the px, and a closer photo is needed"
        )
    orders = orders_of(np.array([p.frequency for p in strong]), a, b)
    _refuse_moire(strong, orders)
    told = _interpreted(strong, a, b, explained, mosaic)
    finer = finer_lattices(strong, bins, (a, b), (told.x, told.y), reduced_by)
    return replace(told, finer=finer)


def _single_direction(strong: Sequence[Peak], bins: Array) -> Steps | None:
    """Steps of peaks that lie on one line through the origin. `bins` are cycles/px to samples of
    the spectrum, along columns and rows."""
    first = strong[0].frequency
    lengths = np.array([float(p.frequency @ first / math.hypot(*first)) for p in strong])
    lengths, signs = np.abs(lengths), np.sign(lengths)
    along = lengths[:, None] / math.hypot(*first) * first * signs[:, None]
    off = np.array([p.frequency for p in strong]) - along
    if float(np.hypot(*(off * bins).T).max()) > TOLERANCE:
        return None
    weights = np.array([p.amplitude**2 for p in strong])
    tolerance = TOLERANCE / math.hypot(*(first / math.hypot(*first) * bins))
    # the longest step of which all strong ones are multiples
    main = lengths[weights >= (MAIN * strong[0].amplitude) ** 2]
    for step in sorted((length / part for length in main for part in range(1, 5)), reverse=True):
        multiples = np.rint(lengths / step)
        fits = np.abs(lengths - multiples * step) < tolerance * np.maximum(multiples, 1)
        if weights[fits].sum() >= EXPLAINED * weights.sum():
            shared = (weights * multiples * lengths)[fits].sum()
            step = float(shared / (weights * multiples**2)[fits].sum())
            vector = first / math.hypot(*first) * step
            vector = vector if vector[0] >= 0 else -vector
            multiple = float(multiples[0])
            shares = np.array([[1 / multiple]])
            channel = _measured_in(strong[0])[1]
            return Steps(
                vector, None, 1, False, True, 1.0, (multiple * vector,), (channel,), shares
            )
    return None


def _primitive(strong: Sequence[Peak], bins: Array) -> tuple[Array, Array, float]:
    """The widest pair of steps of which (nearly) all peaks are whole sums, and how much it explains.
    The peaks beside the strongest one's direction have to be explained too.

    Done in samples of the spectrum, in which all peaks are equally well known.
    """
    points = np.array([p.frequency for p in strong]) * bins
    weights = np.array([p.amplitude**2 for p in strong])
    weights /= weights.sum()
    seeds = points[:MOST_SEEDS]
    made = [seeds]
    for i, j in combinations(range(len(seeds)), 2):
        made += [(seeds[i] - seeds[j])[None], (seeds[i] + seeds[j])[None]]
    vectors = np.concatenate(made)
    vectors = vectors[np.hypot(*vectors.T) > 4 * TOLERANCE]
    first, second = np.triu_indices(len(vectors), 1)
    a, b = vectors[first], vectors[second]
    area = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    wide = np.abs(area) > 0.3 * np.hypot(*a.T) * np.hypot(*b.T)
    a, b, area = a[wide], b[wide], area[wide]
    if not area.size:
        raise NotMeasurable("what repeats in the picture is no lattice")
    m = (points[:, :1] * b[:, 1] - points[:, 1:] * b[:, 0]) / area
    n = (a[:, 0] * points[:, 1:] - a[:, 1] * points[:, :1]) / area
    gap_m, gap_n = m - np.rint(m), n - np.rint(n)
    gap = np.hypot(gap_m * a[:, 0] + gap_n * b[:, 0], gap_m * a[:, 1] + gap_n * b[:, 1])
    order = np.abs(np.rint(m)) + np.abs(np.rint(n))
    fits = (gap < TOLERANCE * (1 + 0.3 * order)) & (order <= HIGHEST_ORDER) & (order > 0)
    explained = weights @ fits
    good = explained >= ENOUGH * explained.max()
    strongest = points[int(np.argmax(weights))]
    off_line = np.abs(strongest[0] * points[:, 1] - strongest[1] * points[:, 0])
    beside = (weights * (off_line > 2 * TOLERANCE * math.hypot(*strongest))) @ fits
    good &= beside >= ENOUGH_BESIDE * beside[good].max()
    best = int(np.argmax(np.where(good, np.abs(area), 0)))
    u, v = _fitted(points, weights * fits[:, best], a[best], b[best])
    if abs(u[0] * v[1] - u[1] * v[0]) <= 0.1 * np.hypot(*u) * np.hypot(*v):
        raise NotMeasurable("what repeats in the picture is no lattice")
    return *_reduced(u / bins, v / bins), float(explained[best])


def _fitted(points: Array, weights: Array, a: Array, b: Array) -> tuple[Array, Array]:
    """The steps that fit all explained peaks best."""
    orders = orders_of(points, a, b)
    root = np.sqrt(weights)[:, None]
    found = np.linalg.lstsq(orders * root, points * root, rcond=None)[0]
    return found[0], found[1]


def _reduced(a: Array, b: Array) -> tuple[Array, Array]:
    """The two shortest steps of the same lattice (Gauss' reduction)."""
    for _ in range(32):
        if a @ a > b @ b:
            a, b = b, a
        turns = round(float(a @ b / (a @ a)))
        if turns == 0:
            break
        b = b - turns * a
    return a, b


def _refuse_moire(strong: Sequence[Peak], orders: Array) -> None:
    size = np.abs(orders).sum(axis=1)
    if float(size[0]) > 4:
        raise MoireSuspected(
            "the strongest frequency in the picture is a high multiple of its smallest: moire of a"
            " pattern finer than the px; a closer photo is needed"
        )
    nearest = 1 / min(p.length for p in strong if p.amplitude > MAIN * strong[0].amplitude)
    if strong[0].colours is not None and nearest < COLOUR_PERIOD_PX and strong[0].amplitude < CLEAR:
        raise MoireSuspected(
            f"the lattice's steps are only {nearest:.1f} px, which a colour camera samples too"
            " coarsely to tell from moire; a closer photo is needed"
        )
    for peak in strong:
        if peak.colours is None or peak.alternates or peak.amplitude < MAIN * strong[0].amplitude:
            continue
        red, green, blue = peak.colours
        if green < GREEN_LEFT * min(red, blue):
            raise MoireSuspected(
                "what repeats in the picture has colours that only the camera's own mosaic makes:"
                " moire of a pattern finer than the px; a closer photo is needed"
            )


def _interpreted(
    strong: Sequence[Peak], a: Array, b: Array, explained: float, mosaic: Mosaic
) -> Steps:
    """The pixels' steps along both axes, from the primitive steps of all peaks."""
    if mosaic == "auto" and (cells := cells_within(strong, a, b)) is not None:
        a, b = cells
    rhombic = is_rhombic(a, b) and not is_red_and_blue(strong, a, b)
    pixels, coloured = mosaic_of(strong, a, b, rhombic, mosaic)
    if pixels == 1 and strong[0].amplitude < CLEAR and not is_hexagonal(a, b):
        size = amplitudes(strong, a, b)
        if size[1, 1] > DIAGONAL * max(size[1, 0], size[0, 1]):
            raise MoireSuspected(
                "what repeats in the picture is as strong along its diagonals as along its sides,"
                " as no single kind of cell is: moire of a pattern finer than the px; a closer photo"
                " is needed"
            )
    x, y = a, b
    if pixels == 2 and rhombic:
        x, y = a + b, a - b
    elif pixels == 2:
        pixels = pixels_in_period(strong, a, b)
        x, y = pixels * a, pixels * b
    x, y = _along_axes(x, y)
    angle = math.degrees(math.acos(min(1.0, abs(float(x @ y)) / math.hypot(*x) / math.hypot(*y))))
    if abs(angle - 90) > 12 and pixels > 1:
        raise NotMeasurable("the lattice in the picture is not rectangular, as pixels are")
    finest = 1 / max(math.hypot(*x), math.hypot(*y))
    if finest < MIN_PERIOD_PX:
        raise MoireSuspected(
            f"the lattice's steps are only {finest:.1f} px, too few to be told from moire; a closer"
            " photo is needed"
        )
    seen = _is_seen(strong, x) and _is_seen(strong, y)
    first, second = _two_waves(strong)
    waves = first.frequency, second.frequency
    channels = _measured_in(first)[1], _measured_in(second)[1]
    return Steps(x, y, pixels, coloured, seen, explained, waves, channels, _shares(waves, x, y))


def _measured_in(peak: Peak) -> tuple[float, int]:
    """The colour in which a wave is measured, and its amplitude there, others than green counting
    for less."""
    if peak.colours is None:
        return peak.amplitude, 0
    relative = np.array(peak.colours) / math.sqrt(float(np.mean(np.square(peak.colours))))
    best = int(np.argmax(relative))
    if relative[1] >= USED_COLOUR * relative[best]:
        return peak.amplitude * float(relative[1]), 1
    return peak.amplitude * USED_COLOUR * float(relative[best]), best


def _two_waves(strong: Sequence[Peak]) -> tuple[Peak, Peak]:
    """The two peaks that are best to measure and not nearly parallel."""
    ordered = sorted(strong, key=lambda peak: -_measured_in(peak)[0])
    first = ordered[0]
    for other in ordered[1:]:
        turned = abs(float(first.frequency[0] * other.frequency[1]
                     - first.frequency[1] * other.frequency[0]))  # fmt: skip
        if turned > 0.3 * first.length * other.length:
            return first, other
    raise NotMeasurable("what repeats in the picture is no lattice")


def _shares(waves: tuple[Array, Array], x: Array, y: Array) -> Array:
    """How the steps are made of the waves: fractions with the waves' determinant below."""
    raw = np.linalg.solve(np.stack(waves, axis=1), np.stack([x, y], axis=1)).T
    return np.asarray(np.rint(raw * SMALL_PARTS) / SMALL_PARTS)


def _is_seen(strong: Sequence[Peak], step: Array) -> bool:
    near = 0.02 * math.hypot(*step)
    return any(math.dist(sign * p.frequency, step) < near for p in strong for sign in (1, -1))


def _along_axes(x: Array, y: Array) -> tuple[Array, Array]:
    """The step nearer to the picture's horizontal first, both pointing right or down."""
    if abs(x[0]) * math.hypot(*y) < abs(y[0]) * math.hypot(*x):
        x, y = y, x
    return (x if x[0] >= 0 else -x), (y if y[1] >= 0 else -y)
