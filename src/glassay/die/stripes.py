"""Straight lines and spaces along the sides of a die that lies level, and how wide they are.

The die is cut into narrow strips; in the mean profile of each, an edge is where light changes fastest.
Between a rise and the next fall lies a bright line, between a fall and the next rise a dark one. Blur
moves the steepest places of neighbouring edges: each edge is a Gaussian in the derivative, and where
it peaks in the sum of all is worked back to where it is. Derived here: with edges e_j of height a_j
and blur s, the derivative's peak x_i obeys x_i - e_i = - sum_j (a_j / a_i) (x_i - e_j)
exp(-(x_i - e_j)^2 / 2 s^2).
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

STRIP_PX = 6
"""Length, px, over which profiles are averaged: a part of the length of any line that counts."""

FINE = 3
"""Samples a px of the spline through a profile."""

LEAST_STRIPS = 3
"""Strips in succession through which a line must go, at one place and width."""

LEAST_LONG = 3.0
"""Least length of a line over its width."""

LEAST_CHANGE = 0.02
"""Least change of light at an edge, per px, relative to the light there."""

OVER_NOISE = 6.0
"""The same over its standard deviation from noise."""

EVEN_EDGES = 3.0
"""Ratio up to which the two edges of a line may differ in height."""

SAME_PLACE_PX, SAME_WIDTH_PX = 0.5, 0.6
"""How far a line may move, and its width change, from strip to strip."""

RINGING, RINGING_PX = 0.2, 4.0
"""What changes less than this part of the steepest edge within so many px is its ringing: from the
spline (at most 0.1), from sharpening, from compression."""

ALONE_PX = 8.0
"""Distance to the next edge, px, from which an edge stands alone."""

REACH = 4.0
"""Distance, in blurs, beyond which an edge does not bear on another."""

WELL_SAMPLED_PX = 0.9
"""Blur from which the steepest place between px is that of the edge. Sharper profiles are softened
to it first: drawn lines of 3.5 px came out 0.16 to 0.23 px narrow at blurs of 0.5 to 0.6 without."""

FEWEST_ALONE = 20
"""Edges that stand alone without which the blur is not told."""

SHARP_QUANTILE = 0.2
"""The blur of the picture is that of the sharpest edges: this quantile over all isolated ones. Duller
ones are bevels and edges seen out of focus (flat: 0.1 to 0.3 changes it by 4 %)."""


@dataclass(frozen=True)
class Stripe:
    """A line that runs straight through several strips: its middle across (px of the die), width
    (px), `bright` or dark, whether it runs down (`upright`) or across, where it begins and ends along
    its length (px), the change of light at its fainter edge (per px), that of the other edge over
    it, and how far the next edge beside it is (px)."""

    place: float
    width: float
    bright: bool
    upright: bool
    start: float
    stop: float
    contrast: float
    oddness: float
    room: float

    @property
    def length(self) -> float:
        """Length, px."""
        return self.stop - self.start


@dataclass(frozen=True)
class Run:
    """Lines that follow each other evenly within one strip: pitch (px), how many, whether upright."""

    pitch: float
    lines: int
    upright: bool


@dataclass(frozen=True)
class Stripes:
    """What the strips of a die hold. `blur_px` is the standard deviation of the Gaussian that the
    sharpest edges are blurred by, sampling and its derivative included; None where no edge stands
    alone; then nothing else is told either. `own_blur_px` is that before profiles sharper than
    `WELL_SAMPLED_PX` were softened, `sharp` what they held
    then: finer lines show in it, with rougher widths."""

    blur_px: float | None
    u_blur_px: float
    stripes: tuple[Stripe, ...] = ()
    runs: tuple[Run, ...] = ()
    own_blur_px: float = 0.0
    sharp: Stripes | None = None


def find_stripes(*levels: FloatImage) -> Stripes:
    """Lines, spaces and even runs of lines on a die (height, width) laid level px by px, or on pieces
    of one, which are taken as one drawing seen through one lens."""
    seen, blurs = _edges_in(levels, 0.0)
    if len(blurs) < FEWEST_ALONE:
        return Stripes(None, 0.0)
    own = float(np.quantile(blurs, SHARP_QUANTILE))
    sharp = None
    if own < WELL_SAMPLED_PX:
        sharp = _held(seen, blurs, own, None)
        seen, blurs = _edges_in(levels, math.sqrt(WELL_SAMPLED_PX**2 - own**2))
        if len(blurs) < FEWEST_ALONE:
            return Stripes(None, 0.0)
    return _held(seen, blurs, own, sharp)


Seen = list[tuple[bool, list[tuple[Array, Array]]]]
"""Of each picture, first of its upright lines and then of those across: whether upright, and the edges
of every strip."""


def _held(seen: Seen, blurs: list[float], own: float, sharp: Stripes | None) -> Stripes:
    blur = float(np.quantile(blurs, SHARP_QUANTILE))
    u_blur = abs(float(np.quantile(blurs, 1.5 * SHARP_QUANTILE)) - blur)
    stripes: list[Stripe] = []
    runs: list[Run] = []
    for upright, edges in seen:
        own_places = _unblurred(edges, blur)
        lines = [_lines(*mine, a) for mine, (_, a) in zip(own_places, edges, strict=True)]
        found, lasting = _followed(lines, upright)
        stripes += found
        runs += [run for strip in lasting for run in _runs(strip, upright)]
    return Stripes(blur, u_blur, tuple(stripes), tuple(runs), own, sharp)


def _edges_in(levels: Sequence[FloatImage], soften_px: float) -> tuple[Seen, list[float]]:
    """Edges of every picture's strips, and blurs of those that stand alone."""
    seen: Seen = []
    blurs: list[float] = []
    for level in levels:
        mine, alone = _all_edges(level, soften_px)
        seen += zip((True, False), mine, strict=True)
        blurs += alone
    return seen, blurs


def _all_edges(
    level: FloatImage, soften_px: float
) -> tuple[list[list[tuple[Array, Array]]], list[float]]:
    """Edges of every strip, of upright lines first, and blurs of those that stand alone."""
    noise = noise_of(level) / math.sqrt(STRIP_PX)
    seen: list[list[tuple[Array, Array]]] = []
    blurs: list[float] = []
    for upright in (True, False):
        profiles = strip_profiles(level, upright)
        if soften_px:
            profiles = gaussian_filter1d(profiles, soften_px, axis=1, mode="nearest")
        places = np.arange(profiles.shape[1], dtype=np.float64)
        fine = np.arange(FINE * (places.size - 1) + 1) / FINE
        edges = []
        splines = CubicSpline(places, profiles, axis=1)
        lights, changes = np.asarray(splines(fine)), np.asarray(splines(fine, 1))
        for number, (light, change) in enumerate(zip(lights, changes, strict=True)):
            edges.append(steepest(light, change, noise))
            if number % 3 == 0:
                blurs += list(_blurs(change, *edges[-1]))
        seen.append(edges)
    return seen, blurs


def noise_of(level: FloatImage) -> float:
    """Standard deviation of noise from px to px: in the quietest places of the die."""
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / 6
    rough = cv2.filter2D(level, cv2.CV_32F, kernel)
    mean = cv2.boxFilter(rough**2, cv2.CV_32F, (15, 15))[7:-7:5, 7:-7:5]
    return float(np.sqrt(np.quantile(mean, 0.05))) if mean.size else 0.0


def strip_profiles(level: FloatImage, upright: bool) -> Array:
    """Means over strips, one row a strip, across upright (else level) lines."""
    picture = level if upright else level.T
    count = picture.shape[0] // STRIP_PX
    return np.asarray(
        picture[: count * STRIP_PX].reshape(count, STRIP_PX, -1).mean(axis=1), np.float64
    )


def steepest(light: Array, change: Array, noise: float) -> tuple[Array, Array]:
    """Places (px) of the steepest changes in a profile and the changes there, signed, per px."""
    size = np.abs(change)
    inner = slice(1, -1)
    limit = np.maximum(LEAST_CHANGE * np.maximum(light, 0), OVER_NOISE * noise)
    nearby = maximum_filter1d(size, 2 * round(RINGING_PX * FINE) + 1)
    limit = np.maximum(limit, RINGING * nearby)
    at = 1 + np.flatnonzero(
        (size[inner] >= size[:-2]) & (size[inner] > size[2:]) & (size[inner] > limit[inner])
    )
    before, here, after = size[at - 1], size[at], size[at + 1]
    bend = before - 2 * here + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1), 0.0)
    peak = here - 0.25 * (before - after) * shift
    return (at + np.clip(shift, -0.5, 0.5)) / FINE, np.sign(change[at]) * peak


def _blurs(change: Array, x: Array, a: Array) -> Iterator[float]:
    """Blur of each edge that stands alone: height of the step over that of its derivative."""
    bounds = np.concatenate([[0.0], x, [change.size / FINE]])
    for n in range(x.size):
        room = min(x[n] - bounds[n], bounds[n + 2] - x[n])
        if room < ALONE_PX:
            continue
        low, high = round((x[n] - room / 2) * FINE), round((x[n] + room / 2) * FINE)
        step = float(np.clip(change[low : high + 1] * np.sign(a[n]), 0, None).sum()) / FINE
        yield step / abs(float(a[n])) / math.sqrt(2 * math.pi)


def _unblurred(edges: list[tuple[Array, Array]], blur: float) -> list[tuple[Array, Array]]:
    """Edges of every strip as they are, from where the derivative peaks and how high: places and
    heights. All strips are worked out at once; edges of two strips do not bear on each other."""
    if not edges:
        return []
    x, a = (np.concatenate(parts) for parts in zip(*edges, strict=True))
    counts = [len(places) for places, _ in edges]
    strip = np.repeat(np.arange(len(counts)), counts)
    reach = REACH * blur
    place, height = x.copy(), a.copy()
    mates = []
    for n in (1, 2, 3):
        first = np.flatnonzero(strip[n:] == strip[:-n])
        mates += [(first + n, first), (first, first + n)]
    for _ in range(8):
        pull, blend = np.zeros_like(x), np.zeros_like(x)
        for mine, others in mates:
            gaps = x[mine] - place[others]
            close = np.abs(gaps) < reach
            here, other, gap = mine[close], others[close], gaps[close]
            weight = np.exp(-(gap**2) / (2 * blur**2))
            pull[here] += height[other] * gap * weight
            blend[here] += height[other] * weight
        # the heights follow more slowly than the places: two edges that merge would run away
        height = 0.5 * height + 0.5 * np.where(np.sign(a - blend) == np.sign(a), a - blend, a)
        shift = np.clip(pull / height, -blur, blur)
        place = 0.5 * place + 0.5 * (x + shift)
    ends = np.cumsum(counts)[:-1]
    return list(zip(np.split(place, ends), np.split(height, ends), strict=True))


def _lines(place: Array, height: Array, seen: Array) -> Array:
    """Lines between successive opposite edges, (n, 6): middle, width, 1 bright or -1 dark, height of
    the lower edge, that of the higher over it, and how far the next edge beyond is."""
    if place.size < 2:
        return np.empty((0, 6))
    one, other = height[:-1], height[1:]
    ratio = np.abs(one) / np.maximum(np.abs(other), 1e-12)
    width = np.diff(place)
    good = (
        (np.sign(seen[:-1]) != np.sign(seen[1:])) & (ratio < EVEN_EDGES) & (ratio > 1 / EVEN_EDGES)
        & (width > 0.3)
    )  # fmt: skip
    middle = (place[1:] + place[:-1]) / 2
    gaps = np.concatenate([[np.inf], width, [np.inf]])
    table = np.stack(
        [
            middle,
            width,
            np.sign(seen[:-1]),
            np.minimum(np.abs(one), np.abs(other)),
            np.maximum(ratio, 1 / np.maximum(ratio, 1e-12)),
            np.minimum(gaps[:-2], gaps[2:]),
        ],
        axis=1,
    )
    return np.asarray(table[good])


def _followed(lines: list[Array], upright: bool) -> tuple[list[Stripe], list[Array]]:
    """Lines that go on from strip to strip, and for each strip the middles of its bright ones."""
    out: list[Stripe] = []
    lasting: list[list[float]] = [[] for _ in lines]
    chains = [chain for chain in _chains(lines) if len(chain) >= LEAST_STRIPS]
    for chain, middle in zip(chains, _medians(chains), strict=True):
        bright = chain[0][1][2] > 0
        stripe = Stripe(
            middle[0] + 0.5, middle[1], bright, upright,
            float(chain[0][0] * STRIP_PX), float((chain[-1][0] + 1) * STRIP_PX), *middle[3:],
        )  # fmt: skip
        if stripe.length < LEAST_LONG * stripe.width:
            continue
        out.append(stripe)
        if bright:
            for strip, line in chain:
                lasting[strip].append(line[0])
    return out, [np.sort(np.array(places)) for places in lasting]


Chain = list[tuple[int, list[float]]]
"""A line through successive strips: number of each, and its row of the table of `_lines` there."""


def _chains(lines: list[Array]) -> list[Chain]:
    """Lines of every strip, each with what it goes on as in the next ones."""
    done: list[Chain] = []
    open_: list[Chain] = []
    for strip, table in enumerate(lines):
        going: list[Chain] = []
        ends = [chain[-1][1] for chain in open_]
        places = [end[0] for end in ends]
        used = [False] * len(open_)
        for line in table.tolist():
            chain: Chain | None = None
            number = bisect_left(places, line[0] - SAME_PLACE_PX)
            while number < len(places) and places[number] <= line[0] + SAME_PLACE_PX:
                end = ends[number]
                alike = abs(end[1] - line[1]) < SAME_WIDTH_PX and end[2] == line[2]
                if alike and not used[number]:
                    chain, used[number] = open_[number], True
                    break
                number += 1
            if chain is None:
                chain = []
            chain.append((strip, line))
            going.append(chain)
        done += [chain for chain, was in zip(open_, used, strict=True) if not was]
        open_ = sorted(going, key=lambda c: c[-1][1][0])
    return done + open_


def _medians(chains: list[Chain]) -> list[list[float]]:
    """For each chain the median of every column; those of one length together."""
    out: list[list[float]] = [[] for _ in chains]
    for length in {len(chain) for chain in chains}:
        mine = [number for number, chain in enumerate(chains) if len(chain) == length]
        tables = np.array([[line for _, line in chains[number]] for number in mine])
        for number, middle in zip(mine, np.median(tables, axis=1).tolist(), strict=True):
            out[number] = middle
    return out


FEWEST_LINES = 5
"""Lines that must follow each other evenly for their pitch to count."""

EVENLY = 0.08
"""How far one gap may differ from the next, relative, and a tenth of a px."""


def _runs(places: Array, upright: bool) -> Iterator[Run]:
    """Maximal runs of evenly spaced lines."""
    gaps = np.diff(places)
    first = 0
    for n in range(1, gaps.size + 1):
        even = n < gaps.size and abs(gaps[n] - gaps[n - 1]) < EVENLY * gaps[n - 1] + 0.1
        if even:
            continue
        count = n - first + 1
        if count >= FEWEST_LINES:
            numbers = np.arange(count) - (count - 1) / 2
            pitch = float((numbers * places[first : n + 1]).sum() / (numbers**2).sum())
            yield Run(pitch, count, upright)
        first = n
