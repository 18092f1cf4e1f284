"""How much room an edge has: its rough width, how far its two sides stay flat, over what length."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from glassay.detail.edge_finding import MIN_LENGTH_PX, Candidate
from glassay.detail.edge_line import EdgeLine
from glassay.detail.edge_spline import NODE_PX
from glassay.imaging.tone import FloatImage

MAX_HALF_WIDTH_PX = 100.0
"""Half width of the widest window: room for edges up to 25 px wide (10-90 %) at full accuracy."""

MIN_HALF_WIDTH_PX, WANTED_HALF_WIDTH_PX = 6.0, 14.0
"""Half width of the narrowest window, and of the narrowest one wanted: that much holds the halo of
a sharpened edge, which reaches a few px whatever the width of the edge."""

WINDOW_WIDTHS = 4.0
"""Half width of the window wanted, in 10-90 % edge widths. The bias of the 50 % frequency is below
0.1 % from 4 up and 0.3 % at 3 (circular pupil, no noise); noise grows slowly beyond."""

LEAST_WIDTHS = 2.0
"""Half width of the window needed, in 10-90 % edge widths: bias up to 1.2 %, within
its stated u."""

LEAST_ASPECT = 4.0
"""Least length of an edge in 10-90 % widths. Shorter rises are as often blobs as edges."""

FLATNESS = 0.12
"""How far a side may stray from its level, as a share of the step, and still count as flat."""

HALO_PX = 5.0
"""Nearer than this an edge may over- and undershoot: the halo of sharpening in the camera."""

ROW_STRAY = 0.25
"""How far the sides of a single row may stray, as a share of the step, before it is left out."""

SEARCH_PX = 14
"""How far from the detected segment its edge may lie; segments come from a reduced photo."""


@dataclass(frozen=True)
class Clearing:
    """The clean part of a candidate: line, length, rough 10-90 % width, usable half width; px."""

    line: EdgeLine
    length: float
    width: float
    half_width: float


class Rejected(Exception):
    """An edge is not fit to be measured; `str()` is the reason in a few words."""


def clear_part(image: FloatImage, candidate: Candidate) -> Clearing:
    """The part of a candidate whose two sides are flat. Raises `Rejected` when there is none."""
    patch, (place, width, levels) = _surroundings(image, candidate)
    step = levels[1] - levels[0]
    wanted = _window_wanted(width)
    least = max(MIN_LENGTH_PX, LEAST_ASPECT * width)
    rows = _clean_rows(patch, place, width, levels, wanted)
    if rows[1] - rows[0] < least:  # it runs along the border of the photo, or is crossed
        rows = _clean_rows(patch, place, width, levels, 0.0)
    length = rows[1] - rows[0]
    if length < least:
        long = candidate.length > 1.5 * MIN_LENGTH_PX
        raise Rejected("crossed by other structure" if long else "too short")
    profile = _median_of_rows(patch[rows[0] : rows[1]])
    room = _room(profile, place, width, levels, step)
    if room < max(LEAST_WIDTHS * width, MIN_HALF_WIDTH_PX):
        raise Rejected("too close to other structure")
    half = math.floor(min(wanted, room) / NODE_PX) * NODE_PX
    along = (rows[0] + rows[1] - 1) / 2 - (patch.shape[0] - 1) / 2
    line = candidate.line
    cos, sin = math.cos(line.normal), math.sin(line.normal)
    line = EdgeLine(
        line.x + place * cos - along * sin, line.y + place * sin + along * cos, line.normal
    )
    return Clearing(line, float(length), width, half)


def _median_of_rows(patch: FloatImage) -> FloatImage:
    """Median of each column; NaN where one of its values is.

    To sort a few hundred rows is faster than NumPy's median.
    """
    rows = np.sort(patch, axis=0)  # NaN come last
    middle = (rows[(len(rows) - 1) // 2] + rows[len(rows) // 2]) / 2
    return np.where(np.isnan(rows[-1]), np.float32(np.nan), middle)


Rise = tuple[float, float, tuple[float, float]]
"""Place (px from the middle), rough 10-90 % width and levels of the two sides."""


def _surroundings(image: FloatImage, candidate: Candidate) -> tuple[FloatImage, Rise]:
    """Those of the edge upright, `_straighten`, as wide as it asks for, and its rise in them.

    Most edges are narrow: a third of the widest surroundings holds all that is looked at then.
    """
    patch = _straighten(image, candidate, NARROW_REACH_PX)
    try:
        rise = _rise(_middle_profile(patch), is_part=True)
    except Rejected:
        rise = None
    if rise is None or abs(rise[0]) + _window_wanted(rise[1]) + SLACK_PX > NARROW_REACH_PX:
        patch = _straighten(image, candidate, WIDE_REACH_PX)
        rise = _rise(_middle_profile(patch))
    return patch, rise


NARROW_REACH_PX, WIDE_REACH_PX = 44, int(1.3 * MAX_HALF_WIDTH_PX)
"""Px to either side of an edge that are looked at first, and at most. In the first, edges up to 7 px
wide have the window wanted."""

SLACK_PX = 6.0
"""Px by which what is looked at must go beyond the window: profiles are smoothed over 3 px."""


def _window_wanted(width: float) -> float:
    return min(max(WINDOW_WIDTHS * width, WANTED_HALF_WIDTH_PX), MAX_HALF_WIDTH_PX)


def _straighten(image: FloatImage, candidate: Candidate, reach: int) -> FloatImage:
    """The surroundings with the edge upright in the middle column, dark on the left."""
    line = candidate.line
    rows = max(round(candidate.length), 3)
    cos, sin = math.cos(line.normal), math.sin(line.normal)
    middle = (rows - 1) / 2
    to_image = np.array(
        [
            [cos, -sin, line.x - reach * cos + middle * sin],
            [sin, cos, line.y - reach * sin - middle * cos],
        ]
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    patch = cv2.warpAffine(
        image, to_image, (2 * reach + 1, rows), flags=flags,
        borderMode=cv2.BORDER_CONSTANT, borderValue=math.nan,
    )  # fmt: skip
    return np.asarray(patch, dtype=np.float32)


def _middle_profile(patch: FloatImage) -> FloatImage:
    """Median over the rows; columns that lie outside the photo in all rows are NaN."""
    outside = np.isnan(patch)
    if not outside.any():
        return _median_of_rows(patch)
    profile = np.full(patch.shape[1], np.nan, np.float32)
    seen = ~outside.all(axis=0)
    profile[seen] = np.nanmedian(patch[:, seen], axis=0)
    return profile


def _rise(profile: FloatImage, *, is_part: bool = False) -> Rise:
    """The main rise of a profile; of a part of one, only if it does not reach as far as its ends."""
    reach = len(profile) // 2
    slope = np.diff(np.convolve(profile, np.full(3, 1 / 3), "same"))
    near = slice(reach - SEARCH_PX, reach + SEARCH_PX)
    if not np.isfinite(slope[near]).all() or not slope[near].max() > 0:
        raise Rejected("too close to the border")
    peak = reach - SEARCH_PX + int(np.argmax(slope[near]))
    low, high = peak, peak + 1
    floor = 0.05 * slope[peak]
    while low > 3 and slope[low - 1] > floor:
        low -= 1
    while high < len(slope) - 4 and slope[high] > floor:
        high += 1
    if is_part and (low == 3 or high == len(slope) - 4):
        raise Rejected("too close to the border")
    levels = (float(profile[low]), float(profile[high]))
    for _ in range(2):
        place, width = _rough_width(profile, peak, levels)
        levels = _side_levels(profile, place, width)
        if not levels[1] > levels[0]:
            raise Rejected("too close to other structure")
    place, width = _rough_width(profile, peak, levels)
    return place - reach, width, levels


def _rough_width(
    profile: FloatImage, peak: int, levels: tuple[float, float]
) -> tuple[float, float]:
    share = (profile - levels[0]) / (levels[1] - levels[0])
    falling = np.flatnonzero(~(share[: peak + 1] > 0.1))
    rising = np.flatnonzero(~(share[peak:] < 0.9))
    if not falling.size or not rising.size:
        raise Rejected("too close to the border")
    low, high = int(falling[-1]), peak + int(rising[0])
    around = np.arange(low, high + 1)
    middle = float(np.interp(0.5, np.maximum.accumulate(share[around]), around))
    # A linear ramp between neighbouring px cannot be narrower than a pixel.
    start = low + (0.1 - share[low]) / max(share[low + 1] - share[low], 1e-9)
    end = high - (share[high] - 0.9) / max(share[high] - share[high - 1], 1e-9)
    return middle, float(max(end - start, 1.0))


def _side_levels(profile: FloatImage, place: float, width: float) -> tuple[float, float]:
    inner, outer = max(1.2 * width, 3.0), max(2.5 * width, 6.0)
    index = np.arange(len(profile))
    out = []
    for side in (-1, 1):
        away = side * (index - place)
        part = profile[(away >= inner) & (away <= outer)]
        if not part.size or not np.isfinite(part).all():
            raise Rejected("too close to the border")
        out.append(float(np.median(part)))
    return out[0], out[1]


def _clean_rows(
    patch: FloatImage, place: float, width: float, levels: tuple[float, float], inside: float
) -> tuple[int, int]:
    """First and last + 1 of the longest run of rows whose sides keep the common levels.

    Rows that leave the photo nearer than `inside` px from the edge do not count as clean.
    """
    inner, outer = max(1.2 * width, 3.0), max(2.5 * width, 6.0)
    away = np.arange(patch.shape[1]) - patch.shape[1] // 2 - place
    clean = np.isfinite(patch[:, np.abs(away) <= inside]).all(axis=1)
    for side, level in zip((-1, 1), levels, strict=True):
        part = patch[:, (side * away >= inner) & (side * away <= outer)].mean(axis=1)
        stray = np.convolve(part - level, np.full(5, 0.2), "same" if len(part) >= 5 else "valid")
        if len(stray) != len(patch):
            raise Rejected("too short")
        stray[[0, 1, -2, -1]] = stray[[2, 2, -3, -3]]
        clean &= np.abs(stray) < ROW_STRAY * (levels[1] - levels[0])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], clean.astype(np.int8), [0]])))
    if not edges.size:
        return 0, 0
    runs = edges.reshape(-1, 2)
    start, stop = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    return int(start), int(stop)


def _room(
    profile: FloatImage, place: float, width: float, levels: tuple[float, float], step: float
) -> float:
    """How far from the edge, in px, both sides keep their level."""
    smooth = np.convolve(profile, np.full(3, 1 / 3), "same")
    away = np.arange(len(profile)) - len(profile) // 2 - place
    room = math.inf
    for side, level in zip((-1, 1), levels, strict=True):
        distance = side * away
        astray = (distance > max(1.5 * width, HALO_PX)) & ~(
            np.abs(smooth - level) < FLATNESS * step
        )
        if astray.any():
            room = min(room, float(distance[astray].min()) - 1.0)
    return room
