"""The piece of a chip that is richest in detail among those that most photos show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from glassay.bench.chip.panel import Panel
from glassay.bench.chip.same_chip import Points, Route
from glassay.errors import NotMeasurable
from glassay.field_stop import find_field_stop
from glassay.imaging.resample import resample
from glassay.imaging.tone import FloatImage
from glassay.match.mapping import outline
from glassay.match.region import richest_window

FINEST_PX_ACROSS = 640
"""The piece that is chosen without being asked is about this many of the finest photo's px wide: at
print size each of them is then about one px of the plate, and nothing that was seen is lost."""

SEARCH_PX_ACROSS = 48
"""The chosen piece is this many px wide while it is sought: structure finer than that is texture,
and does not make a piece worth showing."""

STOP_SHRINK = 0.97
"""Share of a round field's radius that counts as seen."""

Mask = npt.NDArray[np.bool_]


def area(polygon: Points) -> float:
    x, y = polygon.T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2)


def shows(panel: Panel, frame: Route, region: tuple[float, float, float, float]) -> bool:
    """Whether a photo shows all of a region of the frame; a round field may cut its corners."""
    x, y, width, height = region
    rim = outline((1, 1), 8) + 0.5
    at = panel.route(frame.back(rim * (width, height) + (x - 0.5, y - 0.5)))
    limit = (panel.size[0] - 0.5, panel.size[1] - 0.5)
    return bool(((at >= -1) & (at <= np.array(limit) + 0.5)).all())


def richest(
    panels: Sequence[Panel], frame: Route, um_per_px: float, width_um: float | None
) -> tuple[float, float, float, float]:
    """The richest piece that most of the photos show, in px of the frame."""
    finest = min(abs(area(frame(p.route.back(middle_px(p))))) for p in panels)
    side = FINEST_PX_ACROSS * math.sqrt(finest)
    side = width_um / um_per_px if width_um is not None else _round(side * um_per_px) / um_per_px
    best = None
    for shared in dict.fromkeys((2, len(panels))):  # what any two have in common, then what all do
        low, high = _extent(panels, frame, shared)
        room = float((high - low).min())
        if room <= 0 or (width_um is not None and side > room):
            continue
        first = side if width_um is not None else min(side, _round(room * um_per_px) / um_per_px)
        found = _richest_within(panels, frame, um_per_px, (low, high), first, width_um is None)
        if found is not None and (best is None or found[1] > best[1]):
            best = found
        if best is not None and best[1] == len(panels):
            break
    if best is None:
        raise NotMeasurable("no two of the captures show so large a piece of the chip in common")
    return best[0]


def _richest_within(
    panels: Sequence[Panel], frame: Route, um_per_px: float, extent: tuple[Points, Points],
    side: float, may_shrink: bool,
) -> tuple[tuple[float, float, float, float], int] | None:  # fmt: skip
    """The richest piece in a part of the frame, and how many of the photos show it."""
    low, high = extent
    best, shown_by = None, 1
    for _ in range(SMALLER_TRIED if may_shrink else 1):
        step = side / SEARCH_PX_ACROSS
        size = np.clip(np.ceil((high - low) / step), 1, MOST_SEARCH_PX).astype(int)
        laid = [_laid(panel, frame, low, step, (int(size[1]), int(size[0]))) for panel in panels]
        pictures, masks = zip(*laid, strict=True)
        found = richest_window(pictures, masks, (SEARCH_PX_ACROSS, SEARCH_PX_ACROSS))
        if found is not None and found.shown_by > shown_by:
            left, top = low + step * np.array([found.left, found.top])
            best, shown_by = (float(left), float(top), side, side), found.shown_by
        if shown_by == len(panels):
            break
        side = _round(0.99 * side * um_per_px) / um_per_px  # a smaller piece may be common to more
    return None if best is None else (best, shown_by)


SMALLER_TRIED = 4
"""Sizes that are tried, each the next smaller of 1, 2 and 5 times a power of ten."""

MOST_SEARCH_PX = 1500
"""Longest side of the grid on which the piece is sought; wider views are searched in their part that
begins at the top left."""


def middle_px(panel: Panel) -> Points:
    middle = (np.array(panel.size) - 1) / 2
    square: Points = middle + np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    return square


def _round(length: float) -> float:
    """The largest 1-2-5 length that is no longer."""
    decade = 10.0 ** math.floor(math.log10(length))
    return max(step * decade for step in (1, 2, 5) if step * decade <= length * (1 + 1e-9))


def _extent(panels: Sequence[Panel], frame: Route, shared: int) -> tuple[Points, Points]:
    """Smallest and largest (x, y) in the frame that so many photos can have in common."""
    lows, highs = [], []
    for panel in panels:
        rim = frame(panel.route.back(outline(panel.size[::-1])))
        lows.append(rim.min(axis=0))
        highs.append(rim.max(axis=0))
    return np.sort(lows, axis=0)[shared - 1], np.sort(highs, axis=0)[-shared]


def _laid(
    panel: Panel, frame: Route, low: Points, step: float, shape: tuple[int, int]
) -> tuple[FloatImage, Mask]:
    grey = panel.photo.linear_grey()

    def to_photo(points: Points) -> Points:
        return panel.route(frame.back(points * step + low))

    planes, covered = resample([grey], to_photo, shape)
    stop = find_field_stop(grey)
    if stop is not None:
        stop = replace(stop, diameter=stop.diameter * STOP_SHRINK)
        rows, columns = np.mgrid[: shape[0], : shape[1]]
        at = to_photo(np.stack([columns.ravel(), rows.ravel()], axis=1).astype(np.float64))
        inside = np.hypot(at[:, 0] - stop.x, at[:, 1] - stop.y) <= stop.diameter / 2
        covered = covered & inside.reshape(shape)
    return planes[0], covered
