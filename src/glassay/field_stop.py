"""The round field of a photo taken through an eyepiece: its circle, to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage

SEARCH_PX = 600
"""Longer side of the copy on which the circle is first found."""
RAYS = 360
DARK_SHARE = 0.25
"""The surround must be darker than this share of the light just inside the stop."""
MIN_ARC_SHARE = 0.3
"""Share of all directions in which the stop's edge must be seen; the rest may be out of view."""
MAX_ROUGHNESS = 0.02
"""Largest rms departure of the edge from a circle, as a share of its radius."""


RIM_SHARE = 0.04
"""Part of the radius to either side of which the rim is looked for in full resolution."""
RIM_ERROR_PX = 0.15
"""Standard uncertainty for what a camera's tone curve and sharpening do to a soft rim: simulated
phones with both gave 0.0 to 0.1 px."""


@dataclass(frozen=True)
class FieldStop:
    """A circle in px of the photo, with the standard error of its diameter."""

    x: float
    y: float
    diameter: float
    diameter_error: float

    def mask(self, shape: tuple[int, ...], shrink: float = 0.98) -> npt.NDArray[np.uint8]:
        """255 inside the circle times `shrink`, 0 outside; shape (height, width)."""
        out = np.zeros(shape[:2], np.uint8)
        centre = (round(self.x), round(self.y))
        cv2.circle(out, centre, int(self.diameter / 2 * shrink), 255, -1)
        return out


def find_field_stop(light: FloatImage) -> FieldStop | None:
    """The circle of light in a dark surround, or None when there is none.

    `light` has shape (height, width); any monotone scale of light will do.
    """
    height, width = light.shape
    factor = max(1.0, max(height, width) / SEARCH_PX)
    size = (max(1, round(width / factor)), max(1, round(height / factor)))
    reduced = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    small = np.asarray(cv2.GaussianBlur(reduced, (0, 0), 1.5), dtype=np.float32)
    bright = float(np.percentile(small, 75))
    rim = np.concatenate([small[0], small[-1], small[:, 0], small[:, -1]])
    dark = float(np.percentile(rim, 10))
    if bright <= 0 or dark > DARK_SHARE * bright:
        return None
    level = dark + 0.4 * (bright - dark)
    lit = (small > level).astype(np.uint8)
    _, _, stats, centroids = cv2.connectedComponentsWithStats(lit)
    if len(stats) < 2:
        return None
    biggest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    centre = centroids[biggest]
    x, y = _edge_points(small, centre, level)
    circle = _fit_circle(x, y)
    if circle is None:
        return None
    # Look again from the circle's own centre: the lit part's centroid is off when it is cut.
    x, y = _edge_points(small, np.array(circle[:2]), level)
    circle = _fit_circle(x, y)
    if circle is None:
        return None
    cx, cy, radius, rough, used = circle
    if used < MIN_ARC_SHARE * RAYS or rough > MAX_ROUGHNESS * radius:
        return None
    if not _surround_is_dark(small, cx, cy, radius):
        return None
    scale = width / size[0]
    first = FieldStop((cx + 0.5) * scale - 0.5, (cy + 0.5) * scale - 0.5, 2 * radius * scale, 0.0)
    return _at_half_light(light, first)


def _at_half_light(light: FloatImage, found: FieldStop) -> FieldStop | None:
    """The circle where light falls to half of what it is just inside, in each direction by itself.

    The copy's blur and one level for all directions move the rim outwards, by 2 px of 1100 for a
    rim as soft as phones give.
    """
    half = max(6.0, RIM_SHARE * found.diameter / 2)
    radius = found.diameter / 2 + np.arange(-2 * half, half + 0.01, 0.5)
    angle = np.arange(2 * RAYS) * np.pi / RAYS
    x = found.x + radius * np.cos(angle)[:, None]
    y = found.y + radius * np.sin(angle)[:, None]
    inside = (x >= 1) & (x <= light.shape[1] - 2) & (y >= 1) & (y <= light.shape[0] - 2)
    whole = inside.all(axis=1)
    values = cv2.remap(
        light, x[whole].astype(np.float32), y[whole].astype(np.float32), cv2.INTER_LINEAR
    )
    steps = len(radius) // 3
    lit, dark = np.median(values[:, :steps], axis=1), np.median(values[:, -steps // 2 :], axis=1)
    share = (values - dark[:, None]) / np.maximum(lit - dark, 1e-9)[:, None]
    last = share.shape[1] - 1 - np.argmax(share[:, ::-1] > 0.5, axis=1)
    sure = (lit > dark) & (share.max(axis=1) > 0.5) & (last < share.shape[1] - 1)
    rows, last = np.flatnonzero(sure), last[sure]
    above, below = share[rows, last], share[rows, last + 1]
    rim = radius[last] + 0.5 * (above - 0.5) / np.maximum(above - below, 1e-9)
    turn = angle[whole][rows]
    circle = _fit_circle(found.x + rim * np.cos(turn), found.y + rim * np.sin(turn))
    if circle is None:
        return None
    cx, cy, r, rough, used = circle
    error = 2 * rough / np.sqrt(max(1, used / 20))  # neighbouring rays are not independent
    return FieldStop(cx, cy, 2 * r, float(np.hypot(error, RIM_ERROR_PX)))


def _edge_points(
    small: FloatImage, centre: npt.NDArray[np.float64], level: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Outermost crossing of `level` along rays from `centre`, where it lies within the photo."""
    height, width = small.shape
    reach = int(np.hypot(height, width))
    angle = np.arange(RAYS) * 2 * np.pi / RAYS
    radius = np.arange(0, reach, 1.0)
    map_x = (centre[0] + radius[None] * np.cos(angle)[:, None]).astype(np.float32)
    map_y = (centre[1] + radius[None] * np.sin(angle)[:, None]).astype(np.float32)
    inside = (map_x >= 1) & (map_x <= width - 2) & (map_y >= 1) & (map_y <= height - 2)
    values = cv2.remap(small, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    xs, ys = [], []
    for ray in range(RAYS):
        last_inside = int(inside[ray].sum()) - 1
        above = np.flatnonzero(values[ray, : last_inside + 1] > level)
        if not len(above) or above[-1] >= last_inside:
            continue  # no light along this ray, or still light where the photo ends
        i = int(above[-1])
        step = (values[ray, i] - level) / max(values[ray, i] - values[ray, i + 1], 1e-9)
        r = i + float(np.clip(step, 0, 1))
        xs.append(centre[0] + r * np.cos(angle[ray]))
        ys.append(centre[1] + r * np.sin(angle[ray]))
    return np.array(xs), np.array(ys)


def _fit_circle(
    x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]
) -> tuple[float, float, float, float, int] | None:
    """Algebraic circle fit (Kasa 1976) with outliers dropped: x, y, radius, rms, points used."""
    used = np.ones(len(x), dtype=bool)
    cx = cy = radius = 0.0
    for _ in range(8):
        if used.sum() < 20:
            return None
        design = np.column_stack([x[used], y[used], np.ones(int(used.sum()))])
        a, b, c = np.linalg.lstsq(design, x[used] ** 2 + y[used] ** 2, rcond=None)[0]
        cx, cy = float(a / 2), float(b / 2)
        square = float(c + cx**2 + cy**2)
        if square <= 0:
            return None
        radius = float(np.sqrt(square))
        gap = np.abs(np.hypot(x - cx, y - cy) - radius)
        new = gap <= 3 * np.median(gap[used]) + 0.3
        if (new == used).all():
            break
        used = new
    gap = np.hypot(x - cx, y - cy)[used] - radius
    return cx, cy, radius, float(np.sqrt(np.mean(gap**2)) + 0.05), int(used.sum())


def _surround_is_dark(small: FloatImage, cx: float, cy: float, radius: float) -> bool:
    y, x = np.mgrid[0 : small.shape[0], 0 : small.shape[1]]
    r = np.hypot(x - cx, y - cy)
    outside, within = small[r > 1.06 * radius], small[(r > 0.8 * radius) & (r < 0.95 * radius)]
    if outside.size < 0.02 * small.size or within.size < 50:
        return False
    return bool(np.percentile(outside, 80) < DARK_SHARE * np.median(within))
