"""Whether what rises at a side of a die is one edge, as sharp as the picture draws edges, and if not,
where else the cut may be.

The slope of a side's median profile is the sum of its edges, each blurred as every edge of the picture
is (`glassay.die.sharpness`). Steps of either sign on a fine grid are laid under it by least squares
with the least sum of steps (weights that are not negative, Lawson and Hanson 1974; one for each sign).
A cut alone is one step. A penumbra is many, one beside the other. A seal ring or a street within the
blur is a second step, and pulls the place at which the rise seems to be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import nnls

from glassay.die.nested import FINE_STEP_PX, Start
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

REACH_PX = 12.0
"""How far from the outline steps are laid, px."""

LEAST_BLUR_PX = 1.0
"""Sharper profiles are softened to it: between px of a sharper picture interpolation overshoots."""

NARROWER = 0.95
"""Blur of a step over that of sharp edges, which is told to 5 %: too wide a step hides a second one."""

SPARSE = 0.02
"""Weight of the sum of steps against what is left of the slope, over its top."""

APART_PX, APART_BLURS = 0.5, 0.8
"""Distance up to which steps of one sign are one edge: sampling, and blurs."""

OUTER, OUTER_OTHER = 0.05, 0.15
"""Least step over the own one beyond the outline, of the same sign and of the other one: sharpening and
compression make up to a tenth of the other sign beside any edge."""

LEAST = 0.01
"""The same over the light of the surround: the median over a side's length has less noise."""

WHOLE = 0.75
"""Part of what rises about the outline that one edge must have, or the rise is a soft one."""

PART = 0.1
"""Least step over the own one that belongs to a soft rise."""

GAP_PX, GAP_BLURS = 2.5, 3.5
"""Distance of steps up to which a soft rise goes on: least squares lay few steps under a smooth one."""

SPREAD_PX, SPREAD_BLURS = 0.2, 0.3
"""Standard deviation of the steps of one edge from which it is wide for one: sampling, and blurs."""

PULLED_PX, PULL = 0.15, 2.0
"""How far a step may lie from where its rise was placed; the pull of a step beside it moves the rise
by as much again as is told from it."""


OTHERS, LIKE = 0.15, 0.07
"""Least step within the outline, over the own one, for which its opposite side must have one of the
same sign, and how strong that must be."""

STRONG_BESIDE, BESIDE_BLURS, MOVED = 1.5, 4.0, 0.5
"""Least step over the own one, and its distance in blurs, from which it may move the outline's place,
and by how many blurs: least squares share out between such a step and a faint one as they like."""

PENUMBRA = 1.0
"""Blurs by which the other sides are unsure where a shadow is suspected at one: its edge runs along
them, too, and may lie within their rise."""

HIDDEN, HIDDEN_BLURS, SMOOTH_BLURS, OUTSIDE_BLURS = 0.6, 1.2, 2.4, 2.0
"""A rise of which no edge makes up so much, whose steps spread by so many blurs (standard deviation),
nowhere farther apart than so many, and that begins so many beyond the outline, shows no edge of
silicon."""

SOFT_PX = 1.75
"""Blur from which a hidden edge is not refused but held in the uncertainty: in so soft a picture few
edges stand alone, their blur is told too small, and pads close to the edge melt into it."""

INNER_PX = 7.5
"""Depth up to which such steps are told, px: farther ones are told piece by piece (`rivals`)."""

FAINT, AGREE = 0.02, 3
"""Least step beyond the outline where so many sides have one equally far: noise and compression put
none at one distance."""

AS_FAR_PX, AS_FAR = 1.0, 0.25
"""Difference of distances up to which two sides have the same: px, and relative."""


@dataclass(frozen=True)
class Cut:
    """How far outward and inward (px) of the outline the cut may be at a side, 0 where it is one edge;
    how far outward a faint step lies; steps within: depth (px) and height over the outline's own;
    whether the rise is so soft that no edge of silicon is in it."""

    outward: float = 0.0
    inward: float = 0.0
    faint: float = 0.0
    within: tuple[tuple[float, float], ...] = ()
    hidden: bool = False


@dataclass(frozen=True)
class WhereCut:
    """Of each side (top, right, bottom, left), px, 0 for none: how far `outward` another edge lies;
    how far inward the outline's own rise may hold the cut (`melted`); how far inward a step lies that
    the opposite side has not (`alone`). `hidden`: whether the rise there shows no edge of silicon."""

    outward: tuple[float, ...] = (0.0,) * 4
    melted: tuple[float, ...] = (0.0,) * 4
    alone: tuple[float, ...] = (0.0,) * 4
    hidden: tuple[bool, ...] = (False,) * 4


def where_cuts(grey: FloatImage, sides: Sequence[Start], sharp_px: float) -> WhereCut:
    """Where else the cut may be at the four sides of an outline in a picture (height, width) of linear
    light whose sharp edges have a blur of `sharp_px` (standard deviation)."""
    cuts = [_where_cut(grey, start, sharp_px) for start in sides]
    outward, alone = [], []
    for n, cut in enumerate(cuts):
        agree = sum(_as_far(cut.faint, max(one.faint, one.outward)) for one in cuts)
        outward.append(max(cut.outward, cut.faint if agree >= AGREE else 0.0))
        opposite = cuts[(n + 2) % 4].within
        alone.append(max(
            (depth for depth, step in cut.within if abs(step) > OTHERS and depth < INNER_PX
             and not any(_as_far(depth, far) and step * other > 0 for far, other in opposite)),
            default=0.0,
        ))  # fmt: skip
    sure = sharp_px < SOFT_PX
    return WhereCut(
        tuple(outward),
        tuple(REACH_PX if cut.hidden and not sure else cut.inward for cut in cuts),
        tuple(alone),
        tuple(cut.hidden and sure for cut in cuts),
    )


def _as_far(one: float, other: float) -> bool:
    return min(one, other) > 0 and abs(one - other) < AS_FAR_PX + AS_FAR * one


def _where_cut(grey: FloatImage, start: Start, sharp_px: float) -> Cut:
    profile, across = _profile(grey, start, sharp_px)
    blur = NARROWER * max(sharp_px, LEAST_BLUR_PX)
    places, steps = _steps(np.gradient(profile, across), across, blur)
    apart = APART_PX + APART_BLURS * blur
    near = np.abs(places) <= apart
    sign = 1.0 if float(steps[near].sum()) > 0 else -1.0
    steps = sign * steps
    own = float(np.clip(steps[near], 0, None).sum())
    if own <= 0:
        return Cut()
    ground = max(float(np.median(profile[-round(2 / FINE_STEP_PX) :])), 1e-6)
    weights = np.clip(steps[near], 0, None)
    place = float(np.average(places[near], weights=weights))
    spread = math.sqrt(float(np.average((places[near] - place) ** 2, weights=weights)))
    # what is left of all steps from each place outward: the light there less that far away
    left = np.cumsum(steps[::-1])[::-1]
    least = LEAST * ground
    outside = places > apart
    outward = max(
        _lasting(places[outside], left[outside], max(OUTER * own, least)),
        _lasting(places[outside], -left[outside], max(OUTER_OTHER * own, least)),
    )
    faint = _lasting(places[outside], left[outside], max(FAINT * own, least))
    within = tuple(
        (depth, step / own) for depth, step in _one_by_one(-places, steps, apart)
        if depth > apart and abs(step) > LIKE * own
    )  # fmt: skip
    about = (places > place - 3 * blur) & (places < place + 3 * blur)
    whole = float(np.clip(steps[about], 0, None).sum())
    inward = PULL * abs(place) if abs(place) > PULLED_PX else 0.0
    if spread > SPREAD_PX + SPREAD_BLURS * blur:
        inward = max(inward, math.sqrt(3) * spread)
    if any(abs(step) > STRONG_BESIDE and depth < BESIDE_BLURS * blur for depth, step in within):
        inward = max(inward, MOVED * blur)
    if own < WHOLE * whole:
        inward = max(inward, _strongest(places, steps, own, blur))
    return Cut(outward, inward, faint, within,
               outward > OUTSIDE_BLURS * blur and _is_hidden(places, steps, blur, apart))  # fmt: skip


def _is_hidden(places: Array, steps: Array, blur: float, apart: float) -> bool:
    """Whether what goes on from the outline both ways without a gap is soft, and holds no edge."""
    rising = np.flatnonzero(steps > 0)
    if not rising.size:
        return False
    groups = np.split(rising, np.flatnonzero(np.diff(places[rising]) > SMOOTH_BLURS * blur) + 1)
    mine = min(groups, key=lambda g: float(np.abs(places[g]).min()))
    at, height = places[mine], steps[mine]
    most = max(float(height[np.abs(at - one) <= 0.7 * apart].sum()) for one in at)
    spread = math.sqrt(
        float(np.average((at - np.average(at, weights=height)) ** 2, weights=height))
    )
    return most < HIDDEN * float(height.sum()) and spread > HIDDEN_BLURS * blur


def _one_by_one(places: Array, steps: Array, apart: float) -> list[tuple[float, float]]:
    """Places and heights of edges: steps of one sign on neighbouring places are one edge."""
    groups: list[list[int]] = []
    for n in np.flatnonzero(steps):
        last = groups[-1][-1] if groups else n
        if groups and abs(places[n] - places[last]) < apart and steps[n] * steps[last] > 0:
            groups[-1].append(int(n))
        else:
            groups.append([int(n)])
    return [(float(np.average(places[g], weights=steps[g])), float(steps[g].sum())) for g in groups]


def _lasting(places: Array, left: Array, least: float) -> float:
    """How far outward light stays by `least` off that far away, from the rise on; 0 where it does not:
    what a lens, sharpening or compression adds beside an edge changes its sign on the way."""
    off = left > least
    count = int(np.argmin(off)) if not off.all() else off.size
    return float(places[count - 1]) if count else 0.0


def _strongest(places: Array, steps: Array, own: float, blur: float) -> float:
    """How far inward the strongest step is of those that go on from the outline without a gap, px."""
    gap = max(GAP_PX, GAP_BLURS * blur)
    last, strongest, far = 0.0, 0.0, 0.0
    for place, step in zip(-places[::-1], np.abs(steps[::-1]), strict=True):
        if place <= 0 or step < PART * own:
            continue
        if place - last > gap:
            break
        last = float(place)
        if step > strongest:
            strongest, far = float(step), last
    return far


def _profile(grey: FloatImage, start: Start, sharp_px: float) -> tuple[Array, Array]:
    """Median light along a side against the distance outward, px."""
    t = np.linspace(-0.44, 0.44, max(64, round(0.88 * start.length))) * start.length
    reach = REACH_PX + 2.0
    across = np.arange(-reach, reach + FINE_STEP_PX / 2, FINE_STEP_PX)
    at = start.places(t, across)
    x, y = np.moveaxis(at.astype(np.float32), -1, 0)
    values = cv2.remap(grey, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    light = np.median(values, axis=0).astype(np.float64)
    if sharp_px < LEAST_BLUR_PX:
        more = math.sqrt(LEAST_BLUR_PX**2 - sharp_px**2)
        light = gaussian_filter1d(light, more / FINE_STEP_PX, mode="nearest")
    return light, across


def _steps(slope: Array, across: Array, blur: float) -> tuple[Array, Array]:
    """Places (px outward) and signed steps of light that make up a slope."""
    places = np.arange(-REACH_PX, REACH_PX + 0.1, FINE_STEP_PX)
    shape = np.exp(-0.5 * ((across[:, None] - places) / blur) ** 2) / (
        blur * math.sqrt(2 * math.pi)
    )
    scale = max(float(np.abs(slope).max()), 1e-12)
    design = np.vstack([np.hstack([shape, -shape]), np.full(2 * places.size, SPARSE)])
    both, _ = nnls(design, np.append(slope / scale, 0.0), maxiter=60 * places.size)
    return places, scale * (both[: places.size] - both[places.size :])
