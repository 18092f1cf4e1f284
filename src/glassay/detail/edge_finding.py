"""Finding straight, clean edges anywhere in a photo, before any of them is measured.

Line segments come from OpenCV's detector (von Gioi et al. 2012, a contrario: no more than about
one false segment in a picture of noise) on the photo reduced in size. Each is then looked at in the
full photo: how wide the edge is, how far its two sides stay flat, over what length.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from glassay.detail.edge_line import EdgeLine
from glassay.detail.edge_spline import NODE_PX, Float
from glassay.imaging.tone import FloatImage

SEARCH_PIXELS = 800_000
"""The photo is reduced to about this many pixels to look for segments in it. Edges that matter are
longer than a few dozen px of a large photo, so that they survive; 0.4 to 1.6 million find the same
edges in the demo photos."""

MIN_LENGTH_PX = 30.0
"""Shortest edge that is measured. ISO 12233 wants far longer ones; below this length an
edge at 3 deg crosses barely one pixel, and an arc passes for a line."""

PIECE_PX = 200.0
"""Longer edges are measured in pieces of about this length, each with its own place in the field;
lens distortion bends longer ones."""

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

CONTRAST_REACH_PX = 4.0
"""Where the two sides are sampled to rank the segments; very soft edges rank lower than they
should."""

MAX_PIECES = 500
"""Segments that are kept for choosing from, the most promising ones."""

HALO_PX = 5.0
"""Nearer than this an edge may over- and undershoot: the halo of sharpening in the camera."""

ROW_STRAY = 0.25
"""How far the sides of a single row may stray, as a share of the step, before it is left out."""

SEARCH_PX = 14
"""How far from the detected segment its edge may lie; segments come from a reduced photo."""


@dataclass(frozen=True)
class Candidate:
    """A straight edge as the detector sees it: its line (midpoint, normal) and length in px."""

    line: EdgeLine
    length: float
    contrast: float


@dataclass(frozen=True)
class Clearing:
    """The clean part of a candidate: line, length, rough 10-90 % width, usable half width; px."""

    line: EdgeLine
    length: float
    width: float
    half_width: float


class Rejected(Exception):
    """An edge is not fit to be measured; `str()` is the reason in a few words."""


def find_candidates(
    image: FloatImage, limit: int, is_wanted: Callable[[EdgeLine, float], bool] = lambda *_: True,
    shortest: float = MIN_LENGTH_PX, longest: float = PIECE_PX,
) -> list[Candidate]:  # fmt: skip
    """The most promising edges of a linear-light `image` (height, width), at most about `limit`.

    None is shorter than `shortest` px; those longer than `longest` px are cut.

    They are taken evenly from a 3 x 3 division of the field and from directions across x and
    across y, so that a photo full of edges in one place does not hide the rest. Only those count
    whose line and length `is_wanted` says so.
    """
    segments: list[Float] = []
    reduction = max(1, math.ceil(math.sqrt(image.size / SEARCH_PIXELS)))
    for factor in (reduction, 3 * reduction):  # the coarser one sees edges that are very soft
        segments.extend(_segments(image, factor, shortest))
    pieces = [piece for segment in segments for piece in _cut(segment, longest)]
    if not pieces:
        return []
    candidates = [
        one for one in _without_repeats(_candidates(image, np.stack(pieces)))
        if is_wanted(one.line, one.length)
    ]  # fmt: skip
    return _spread_over_field(candidates, image.shape, limit)


def _segments(image: FloatImage, factor: int, shortest: float) -> list[Float]:
    height, width = image.shape[0] // factor, image.shape[1] // factor
    if min(height, width) < 8:
        return []
    small = image if factor == 1 else cv2.resize(
        image[: height * factor, : width * factor], (width, height), interpolation=cv2.INTER_AREA
    )  # fmt: skip
    low, high = np.percentile(small[:: max(height // 400, 1), :: max(width // 400, 1)], (0.5, 99.5))
    if not high > low:
        return []
    # The square root keeps edges among dark features from being lost in 8 bits.
    scaled = np.sqrt(np.clip((small - low) / (high - low), 0, 1))
    found = cv2.createLineSegmentDetector().detect((scaled * 255).astype(np.uint8))[0]
    if found is None:
        return []
    ends = (found.reshape(-1, 4).astype(np.float64) + 0.5) * factor - 0.5
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    return list(ends[length >= shortest])


def _cut(segment: Float, longest: float) -> list[Float]:
    start, end = segment[:2], segment[2:]
    count = max(1, round(float(np.hypot(*(end - start))) / longest))
    cuts = [start + (end - start) * k / count for k in range(count + 1)]
    return [np.concatenate([a, b]) for a, b in pairwise(cuts)]


def _candidates(image: FloatImage, pieces: Float) -> list[Candidate]:
    """Segments with contrast and the normal to the brighter side, the most promising first."""
    middle = (pieces[:, :2] + pieces[:, 2:]) / 2
    run = pieces[:, 2:] - pieces[:, :2]
    length = np.hypot(run[:, 0], run[:, 1])
    along = run / length[:, None]
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    places = np.linspace(-0.4, 0.4, 9) * length[:, None]
    levels = []
    for side in (-CONTRAST_REACH_PX, CONTRAST_REACH_PX):
        point = (middle + side * normal)[:, None] + places[..., None] * along[:, None]
        x = np.clip(np.rint(point[..., 0]), 0, image.shape[1] - 1).astype(np.intp)
        y = np.clip(np.rint(point[..., 1]), 0, image.shape[0] - 1).astype(np.intp)
        levels.append(np.median(image[y, x], axis=1))
    step = levels[1] - levels[0]
    angle = np.arctan2(normal[:, 1], normal[:, 0]) - np.where(step < 0, np.pi, 0.0)
    order = np.argsort(-np.abs(step) * np.minimum(length, PIECE_PX))
    return [
        Candidate(
            EdgeLine(float(middle[k, 0]), float(middle[k, 1]), float(angle[k])),
            float(length[k]), float(abs(step[k])),
        )
        for k in order[:MAX_PIECES] if step[k]
    ]  # fmt: skip


def _without_repeats(candidates: list[Candidate]) -> list[Candidate]:
    """The first of each that lie side by side along one line; best first."""
    if not candidates:
        return []
    x, y, normal, length = np.array(
        [(one.line.x, one.line.y, one.line.normal, one.length) for one in candidates]
    ).T
    dx, dy = (np.subtract.outer(one, one) for one in (x, y))
    near = dx * dx + dy * dy <= (0.5 * np.add.outer(length, length)) ** 2
    alike = np.cos(np.subtract.outer(normal, normal)) > 0.98
    # from the line of the column's candidate
    beside = np.abs(dx * np.cos(normal) + dy * np.sin(normal)) < 6
    same = near & alike & beside
    kept: list[int] = []
    for index in range(len(candidates)):
        if not same[index, kept].any():
            kept.append(index)
    return [candidates[index] for index in kept]


def _spread_over_field(
    candidates: list[Candidate], shape: tuple[int, ...], limit: int
) -> list[Candidate]:
    shelves: dict[tuple[int, int, bool], list[Candidate]] = {}
    for one in candidates:  # best first
        row, column = int(3 * one.line.y / shape[0]), int(3 * one.line.x / shape[1])
        across_x = abs(math.cos(one.line.normal)) > math.sqrt(0.5)
        shelves.setdefault((row, column, across_x), []).append(one)
    taken: list[Candidate] = []
    for depth in range(max(map(len, shelves.values()), default=0)):
        layer = [shelf[depth] for shelf in shelves.values() if depth < len(shelf)]
        taken.extend(sorted(layer, key=_promise))
        if len(taken) >= limit:
            break
    return taken[:limit]


def _promise(one: Candidate) -> float:
    return -one.contrast * min(one.length, PIECE_PX)


def clear_part(image: FloatImage, candidate: Candidate) -> Clearing:
    """The part of a candidate whose two sides are flat. Raises `Rejected` when there is none."""
    patch = _straighten(image, candidate)
    place, width, levels = _rise(_middle_profile(patch))
    step = levels[1] - levels[0]
    wanted = min(max(WINDOW_WIDTHS * width, WANTED_HALF_WIDTH_PX), MAX_HALF_WIDTH_PX)
    least = max(MIN_LENGTH_PX, LEAST_ASPECT * width)
    rows = _clean_rows(patch, place, width, levels, wanted)
    if rows[1] - rows[0] < least:  # it runs along the border of the photo, or is crossed
        rows = _clean_rows(patch, place, width, levels, 0.0)
    length = rows[1] - rows[0]
    if length < least:
        long = candidate.length > 1.5 * MIN_LENGTH_PX
        raise Rejected("crossed by other structure" if long else "too short")
    profile = np.median(patch[rows[0] : rows[1]], axis=0)
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


def _straighten(image: FloatImage, candidate: Candidate) -> FloatImage:
    """The surroundings with the edge upright in the middle column, dark on the left."""
    line = candidate.line
    reach = int(1.3 * MAX_HALF_WIDTH_PX)
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
        return np.asarray(np.median(patch, axis=0))
    profile = np.full(patch.shape[1], np.nan, np.float32)
    seen = ~outside.all(axis=0)
    profile[seen] = np.nanmedian(patch[:, seen], axis=0)
    return profile


def _rise(profile: FloatImage) -> tuple[float, float, tuple[float, float]]:
    """Place (px from the middle), rough 10-90 % width and levels of the main rise of a profile."""
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
