"""One side of an array, found as steps of colour along lines across it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d, map_coordinates

from glassay.errors import NotMeasurable
from glassay.fitting import scatter, spread
from glassay.imaging.tone import FloatImage
from glassay.lattice.border import place_edge
from glassay.lattice.even_regions import grown_px

Array = npt.NDArray[np.float64]


Flags = npt.NDArray[np.bool_]


PIECES = 24
"""Pieces into which a side is cut."""

FEWEST_PIECES = PIECES // 3
"""A third of a side: its line and the parabola against which pieces are checked have three unknowns."""

STEP_CONTRAST = 0.02
"""Least change of colour at an edge, relative to the light inside."""

STEP_SHARE = 0.15
"""Part of the strongest change nearby from which a change of colour is taken for the array's edge."""

EARLY_SHARE = 0.12
"""The same over the whole width in which a side is looked for: beyond the array lie drivers and pads
with edges up to four times as strong (flat: 0.08 to 0.18)."""

RIPPLE_SHARE = 0.4
"""Both of these where single pixels are resolved: what smoothing leaves of them is no edge, and the
array's border is resolved too."""

OVER = 0.5
"""Part of a change's steepest place to which it must fall before the next counts as another one."""


@dataclass(frozen=True)
class Side:
    """A side of the array as found: its pieces (n, 2) px, the direction outward, the standard
    uncertainties of its place by their scatter and by the border, and the change of colour there."""

    points: Array
    normal: Array
    u: float
    contrast: float
    u_border: float

    def line(self) -> tuple[Array, Array]:
        """A point and the direction of the straight line through the pieces."""
        middle = self.points.mean(axis=0)
        return middle, np.linalg.svd(self.points - middle)[2][0]


def find_side(
    planes: FloatImage, foot: Array, normal: Array, along: Array, length: float, depth: float,
    smooth_px: float,
) -> Side:  # fmt: skip
    """One side of the array, near the line through `foot` along `along`; `normal` points outward."""
    reach = max(8.0, 0.06 * depth, 3 * smooth_px)
    inside = 0.3 * reach + grown_px(planes.shape[:2], smooth_px)  # surely within, however coarse
    across = np.arange(-inside - 0.7 * reach, reach + 0.25, 0.5)
    spots = np.linspace(-0.42, 0.42, PIECES) * length
    per_piece = max(3, min(64, int(length / PIECES)))
    profiles = {}
    for spot in spots:
        t = spot + np.linspace(-0.5, 0.5, per_piece) * 0.84 * length / PIECES
        place = foot + t[:, None, None] * along + across[None, :, None] * normal
        if place.min() >= 0 and (place <= np.array(planes.shape[1::-1]) - 1).all():
            profiles[float(spot)] = _profile(planes, place, smooth_px)
    if len(profiles) < FEWEST_PIECES:
        raise NotMeasurable("the even rectangle in the picture reaches its border")
    early, share = (RIPPLE_SHARE, RIPPLE_SHARE) if smooth_px else (EARLY_SHARE, STEP_SHARE)
    main = _first_step(across, np.median(list(profiles.values()), axis=0), inside, early)
    if main is None:
        raise NotMeasurable("one side of the even rectangle in the picture is no clear edge")
    # piece by piece near that place, which a lean of half a degree and a blur may move
    near = max(4.0, 0.01 * length, 1.5 * smooth_px)
    found = []
    for spot, profile in profiles.items():
        place_px = _half_way(across, profile, main, near, share)
        if place_px is not None:
            found.append((spot, place_px))
    if len(found) < FEWEST_PIECES:
        raise NotMeasurable("one side of the even rectangle in the picture is no clear edge")
    t, offset = np.array(found).T
    slope, intercept, scatter, kept = robust_line(t, offset)
    if scatter > max(2.0, 0.01 * depth) or kept.sum() < FEWEST_PIECES:
        raise NotMeasurable("a side of the even rectangle in the picture is not straight")
    direction = along + slope * normal
    shift, half_range = _edge_of_border(
        planes, foot + intercept * normal, direction, normal, length, reach, smooth_px
    )
    profile = np.median(list(profiles.values()), axis=0)
    if (across > main + 0.4 * near).sum() < 2 or (across < main - near).sum() < 4:
        raise NotMeasurable("one side of the even rectangle in the picture is no clear edge")
    contrast = _first_top(across, _distance(across, profile, main - near), main)
    points = foot + t[kept, None] * along + (offset[kept, None] + shift) * normal
    return Side(points, normal, scatter / math.sqrt(kept.sum()), contrast,
                 half_range / math.sqrt(3))  # fmt: skip


def _edge_of_border(
    planes: FloatImage, foot: Array, along: Array, normal: Array, length: float, reach: float,
    smooth_px: float,
) -> tuple[float, float]:  # fmt: skip
    """How far outward of the line through `foot` the edge is that a blurred border's dip hides, and
    half the range of it: the mean profile across the whole side, straightened by that line."""
    if smooth_px:  # a lens that shows single pixels also shows a border of several
        return 0.0, 0.0
    across = np.arange(-reach, reach + 0.25, 0.5)
    profiles = []
    for t in np.array_split(np.linspace(-0.42, 0.42, 10 * PIECES) * length, PIECES):
        place = foot + t[:, None, None] * along + across[None, :, None] * normal
        if place.min() >= 0 and (place <= np.array(planes.shape[1::-1]) - 1).all():
            profiles.append(_profile(planes, place, smooth_px))
    if not profiles:
        return 0.0, 0.0
    edge = place_edge(across, np.median(profiles, axis=0), 0.0)
    return (edge.place, edge.half_range) if edge is not None else (0.0, 0.0)


def _profile(planes: FloatImage, place: Array, smooth_px: float) -> Array:
    """Mean light across the edge, (steps across, colours)."""
    values = np.stack(
        [
            map_coordinates(
                plane, [place[..., 1], place[..., 0]], np.float32, order=1, prefilter=False
            ).mean(axis=0)
            for plane in np.moveaxis(planes, 2, 0)
        ],
        axis=1,
    )
    sigma = max(1.0, 0.55 * smooth_px) / 0.5  # profiles are sampled every half px
    return np.asarray(gaussian_filter1d(values.astype(np.float64), sigma, axis=0, mode="nearest"))


def _distance(across: Array, profile: Array, until: float) -> Array:
    """How far the colour is from that of the inside (with its shading), relative to its light."""
    within = across < until
    design = np.stack([np.ones_like(across), across - across[0]], axis=1)
    shading = design @ np.linalg.lstsq(design[within], profile[within], rcond=None)[0]
    level = np.maximum(np.median(profile[within], axis=0), 1e-4)
    return np.asarray((np.abs(profile - shading) / level).max(axis=1))


def _first_step(across: Array, profile: Array, inside: float, share: float) -> float | None:
    """Where, going outward, the colour first leaves that of the inside for good."""
    distance = _distance(across, profile, -inside)
    quiet = float(np.quantile(distance[across < -inside], 0.95))
    limit = max(STEP_CONTRAST, 4 * quiet)
    change = np.where(across > -inside, np.gradient(distance, across), 0.0)
    for peak in _peaks(change, share):
        low = peak
        while low > 0 and distance[low - 1] < distance[low]:
            low -= 1
        if _first_top(across, distance, float(across[peak])) - distance[low] > limit:
            return float(across[peak])
    return None


def _first_top(across: Array, distance: Array, main: float) -> float:
    """How far the colour gets from the inside's next to the edge: the depth of a narrow border, whose
    own far side lets the colour return or go on to something else."""
    index = int(np.argmin(np.abs(across - main)))
    while index + 1 < distance.size and distance[index + 1] > distance[index]:
        index += 1
    return float(distance[index])


def _peaks(change: Array, share: float) -> list[int]:
    """Places, going outward, where a change peaks that is this part of the largest, and is nearly over
    before a larger one comes: not the foot of that."""
    inner = np.concatenate([[-np.inf], change[:-1]])
    outer = np.concatenate([change[1:], [-np.inf]])
    peaks = (change >= inner) & (change > outer) & (change >= share * change.max())
    found = []
    for index in np.flatnonzero(peaks):
        rest = change[index:]
        until = int(np.argmax(rest > rest[0])) or rest.size
        if until == rest.size or rest[:until].min() < OVER * rest[0]:
            found.append(int(index))
    return found


def _innermost_step(change: Array, share: float) -> int:
    """The first place, going outward, where a change peaks that is a good part of the largest:
    a narrow border of shielded pixels has a second edge close by, often a stronger one."""
    peaks = _peaks(change, share)
    return peaks[0] if peaks else int(np.argmax(change))


def _half_way(
    across: Array, profile: Array, main: float, near: float, share: float
) -> float | None:
    """The edge near `main`: half-way from the inside's colour to the next colour outside."""
    here = np.abs(across - main) <= near
    if here.sum() < 4 or (across < main - near).sum() < 4:
        return None
    distance = _distance(across, profile, main - near)[here]
    place = across[here]
    change = np.gradient(distance, place)
    peak = _innermost_step(np.where(np.abs(place - main) < 0.7 * near, change, -np.inf), share)
    if change[peak] <= 0:
        return None
    top, bottom = peak, peak
    while top + 1 < change.size and change[top + 1] > 0.2 * change[peak]:
        top += 1
    while bottom > 0 and change[bottom - 1] > 0.2 * change[peak]:
        bottom -= 1
    half = (distance[bottom] + distance[top]) / 2
    index = bottom + int(np.argmax(distance[bottom : top + 1] >= half))
    if index == 0 or distance[index] == distance[index - 1]:
        return float(place[index])
    part = (half - distance[index - 1]) / (distance[index] - distance[index - 1])
    return float(place[index - 1] + part * (place[index] - place[index - 1]))


def robust_line(t: Array, offset: Array) -> tuple[float, float, float, Flags]:
    """Slope, place, scatter, and which pieces were kept: those near a parabola, since distortion bows
    the side."""
    middle = float(np.median(offset))
    kept = np.abs(offset - middle) < 4 * spread(offset) + 1.0
    off = np.zeros(t.size)
    for _ in range(6):
        off = offset - np.polyval(np.polyfit(t[kept], offset[kept], 2), t)
        again = np.abs(off) < 3 * scatter(off[kept]) + 0.05
        if bool((again == kept).all()) or again.sum() < 4:
            break
        kept = again
    slope, intercept = np.polyfit(t[kept], offset[kept], 1)
    return float(slope), float(intercept), float(off[kept].std()), kept
