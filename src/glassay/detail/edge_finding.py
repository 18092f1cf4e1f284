"""Finding straight, clean edges anywhere in a photo, before any of them is measured.

Line segments come from OpenCV's detector (von Gioi et al. 2012, a contrario: no more than about
one false segment in a picture of noise) on the photo reduced in size. `edge_clearing` then looks at
each in the full photo.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from glassay.detail.edge_line import EdgeLine
from glassay.detail.edge_spline import Float
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

CONTRAST_REACH_PX = 4.0
"""Where the two sides are sampled to rank the segments; very soft edges rank lower than they
should."""

MAX_PIECES = 500
"""Segments that are kept for choosing from, the most promising ones."""


@dataclass(frozen=True)
class Candidate:
    """A straight edge as the detector sees it: its line (midpoint, normal) and length in px."""

    line: EdgeLine
    length: float
    contrast: float


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
    reduction = max(1, math.ceil(math.sqrt(image.size / SEARCH_PIXELS)))
    pieces = _cut(
        np.concatenate(  # the coarser one sees edges that are very soft
            [_segments(image, factor, shortest) for factor in (reduction, 3 * reduction)]
        ),
        longest,
    )
    candidates = [
        one for one in _without_repeats(_candidates(image, pieces))
        if is_wanted(one.line, one.length)
    ]  # fmt: skip
    return _spread_over_field(candidates, image.shape, limit)


def _segments(image: FloatImage, factor: int, shortest: float) -> Float:
    """Ends (n, 4) of the segments in the image reduced by a factor: x, y, x, y in px of the image."""
    height, width = image.shape[0] // factor, image.shape[1] // factor
    if min(height, width) < 8:
        return np.empty((0, 4))
    small = image if factor == 1 else cv2.resize(
        image[: height * factor, : width * factor], (width, height), interpolation=cv2.INTER_AREA
    )  # fmt: skip
    low, high = np.percentile(small[:: max(height // 400, 1), :: max(width // 400, 1)], (0.5, 99.5))
    if not high > low:
        return np.empty((0, 4))
    # The square root keeps edges among dark features from being lost in 8 bits.
    scaled = np.sqrt(np.clip((small - low) / (high - low), 0, 1))
    found = cv2.createLineSegmentDetector().detect((scaled * 255).astype(np.uint8))[0]
    if found is None:
        return np.empty((0, 4))
    ends = (found.reshape(-1, 4).astype(np.float64) + 0.5) * factor - 0.5
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    return np.asarray(ends[length >= shortest])


def _cut(segments: Float, longest: float) -> Float:
    """Segments (n, 4) in equal pieces (m, 4) of about `longest` px where they are longer."""
    start, run = segments[:, :2], segments[:, 2:] - segments[:, :2]
    count = np.maximum(np.rint(np.hypot(run[:, 0], run[:, 1]) / longest), 1).astype(np.intp)
    which = np.repeat(np.arange(len(segments)), count)
    number = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    ends = [start[which] + run[which] * (k / count[which])[:, None] for k in (number, number + 1)]
    return np.concatenate(ends, axis=1)


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
