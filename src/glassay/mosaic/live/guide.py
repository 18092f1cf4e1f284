"""Where to move next: places that would show something new beside what is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from glassay.mosaic.live.chart import Chart
from glassay.mosaic.live.picture import Bytes, Place

REDUCED = 8
"""The sheet is looked at in px so much larger."""
STEP_SHARE = 0.2
"""Distance of the places tried, in views."""
COMMON_SHARE = 0.2
"""Share of a view that must be known where it is suggested."""
NEW_SHARE = 0.2
PLAIN_REACH = 0.6
"""Beyond a plain border nothing more of the chip is expected; a textured one reaches so many views
beyond the map."""
TEXTURED = 0.35
FARTHER = 0.35
"""What a view of distance costs, in shares of new."""
ONWARD = 0.12
"""What the direction of the last move is preferred by."""
GAP_SHARE = 0.04
"""Hole in the map, in views, that is counted as a gap."""

Vector = tuple[float, float]


@dataclass(frozen=True)
class Outlook:
    """Places that would show something new (x, y in working px of the map, share), and how many gaps
    the map has within its outline."""

    wanted: tuple[tuple[float, float, float], ...]
    gaps: int


def outlook(chart: Chart, size: tuple[int, int]) -> Outlook:
    """What is missing of the map, for views of `size` (width, height) working px."""
    left, top, right, bottom = chart.box
    width, height = size[0] / REDUCED, size[1] / REDUCED
    pad = int(1.2 * max(width, height))
    small = (max(1, (right - left) // REDUCED), max(1, (bottom - top) // REDUCED))
    known = _small(chart.known, small, pad) > 0.5
    sharp = _small(chart.sharp, small, pad) > 0.5
    busy = _small((np.abs(chart.detail) > 0.5).astype(np.float32), small, pad)
    textured = ((cv2.blur(busy.astype(np.float32), (5, 5)) > TEXTURED / 2) & known).astype(np.uint8)
    reach = np.ones((2 * int(PLAIN_REACH * height) + 1, 2 * int(PLAIN_REACH * width) + 1), np.uint8)
    hull = _hull(known)
    worth = ((cv2.dilate(textured, reach) > 0) | (hull > 0)) & ~sharp
    gaps = _gaps(known, hull, GAP_SHARE * width * height)
    box = (max(1, round(width)), max(1, round(height)))
    new = cv2.boxFilter(worth.astype(np.float32), -1, box, borderType=cv2.BORDER_CONSTANT)
    common = cv2.boxFilter(known.astype(np.float32), -1, box, borderType=cv2.BORDER_CONSTANT)
    step = max(1, int(STEP_SHARE * min(width, height)))
    wanted = []
    for y in range(0, new.shape[0], step):
        for x in range(0, new.shape[1], step):
            if new[y, x] >= NEW_SHARE and common[y, x] >= COMMON_SHARE:
                wanted.append(
                    (left + (x - pad) * REDUCED, top + (y - pad) * REDUCED, float(new[y, x]))
                )
    return Outlook(tuple(wanted), gaps)


def _small(sheet: np.ndarray, size: tuple[int, int], pad: int) -> np.ndarray:
    small = cv2.resize(sheet.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.pad(small, pad)


def _hull(known: np.ndarray) -> Bytes:
    """The rectangle around all that is known: a die is one."""
    out = np.zeros(known.shape, np.uint8)
    rows, columns = np.nonzero(known)
    if len(rows):
        out[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1] = 1
    return out


def _gaps(known: np.ndarray, hull: Bytes, least: float) -> int:
    count, _, stats, _ = cv2.connectedComponentsWithStats((~known & (hull > 0)).astype(np.uint8))
    return int(sum(stats[n, cv2.CC_STAT_AREA] >= least for n in range(1, count)))


def next_step(
    wanted: Sequence[tuple[float, float, float]], here: Place, size: tuple[int, int], before: Vector
) -> Vector | None:
    """From `here` to the best of the places, in views to the right and down; None when all is seen.

    `before` is the direction of the last move.
    """
    best, chosen = -1e9, None
    length = max(1e-9, float(np.hypot(*before)))
    for x, y, new in wanted:
        dx, dy = (x - here.x) / size[0], (y - here.y) / size[1]
        far = float(np.hypot(dx, dy))
        along = (dx * before[0] + dy * before[1]) / (length * far) if far > 0.05 else 0.0
        value = new - FARTHER * far + ONWARD * along
        if value > best and far > 0.05:
            best, chosen = value, (dx, dy)
    return chosen
