"""From what was found of a grid or a ruled scale to the points that distortion is fitted to."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from glassay.field.distortion_fit import GridView, RulingView
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

PATCH_SHARE = 0.65
"""Half the side of the patch looked at, in pitches: holds the lines around a cell, or a dot."""
SYMMETRY_PASSES = 4
"""Drawn dots, 12 and 30 px apart and blurred by 0.7 to 3 px, begun up to 0.5 px off, settle to
0.0002 px within three passes; one to spare."""


def grid_view(light: FloatImage, points: Array, index: npt.NDArray[np.int64]) -> GridView:
    """A grid whose cells or dots were found at `points` (n, 2) px, with places `index` (n, 2), in
    `light` (height, width; square root of linear light): each centred anew."""
    refined = centred_on_symmetry(light, points, _pitch(points, index))
    known = np.isfinite(refined).all(axis=1)
    return GridView(refined[known], index[known])


def _pitch(points: Array, index: npt.NDArray[np.int64]) -> float:
    """Distance between neighbours on the grid, px."""
    places = np.column_stack([index, np.ones(len(index))])
    steps = np.asarray(np.linalg.pinv(places) @ points, dtype=np.float64)[:2]
    return float(np.hypot(steps[:, 0], steps[:, 1]).min())


def centred_on_symmetry(light: FloatImage, points: Array, pitch: float) -> Array:
    """Middles of the cells or dots at `points` (n, 2), as the points about which they are symmetric.

    A cell's bounds and a dot's outline say where it is; a centroid of what is brighter than its
    surroundings leans on its even middle as well, and was off by up to 0.5 px. Where light P is
    that of something symmetric about c, P(x) - P(-x) = -2 c . gradient (first order), solved by least
    squares and repeated about the new middle. NaN for those cut by the border.
    """
    from scipy.signal.windows import tukey  # scipy.stats comes with it: a second of loading

    half = int(np.clip(round(PATCH_SHARE * pitch), 4, 60))
    side = 2 * half + 1
    window = np.outer(tukey(side, 0.4), tukey(side, 0.4))
    height, width = light.shape
    out = np.full(points.shape, np.nan)
    for number, start in enumerate(points):
        at = start.copy()
        for _ in range(SYMMETRY_PASSES):
            if not (half + 1 <= at[0] < width - half - 2 and half + 1 <= at[1] < height - half - 2):
                break
            seen = cv2.getRectSubPix(light, (side, side), (float(at[0]), float(at[1])))
            patch = np.asarray(seen, dtype=np.float64)
            down, across = np.gradient(patch)
            gx, gy = (_odd_part(np.asarray(g, dtype=np.float64)) for g in (across, down))
            odd = window * 2 * _odd_part(patch)
            xx, yy, xy = ((window * a * b).sum() for a, b in ((gx, gx), (gy, gy), (gx, gy)))
            bx, by = (gx * odd).sum(), (gy * odd).sum()
            determinant = xx * yy - xy * xy
            if determinant <= 0:
                break
            step = -0.5 * np.array([yy * bx - xy * by, xx * by - xy * bx]) / determinant
            at = at + np.clip(step, -1, 1)
        else:
            if float(np.hypot(*(at - start))) < 0.15 * pitch:
                out[number] = at
    return out


def ruling_view(segments: Array, along: Array, division_px: float, tilt_deg: float) -> RulingView:
    """A ruled scale whose lines run from x0, y0 to x1, y1 (`segments`, (n, 4) px) and stand `along`
    (n,) its axis, `division_px` apart, which is turned by `tilt_deg`."""
    segments = np.asarray(segments, dtype=np.float64).reshape(-1, 4)
    order = np.argsort(along)
    # Gap by gap, so that a division that changes across the field cannot slip the count.
    gaps = np.rint(np.diff(np.asarray(along)[order]) / division_px).astype(np.int64)
    numbers = np.concatenate([[0], np.cumsum(gaps)]).astype(np.int64)
    middles = (segments[order, :2] + segments[order, 2:]) / 2
    return RulingView(middles, numbers, math.radians(tilt_deg))


def _odd_part(patch: Array) -> Array:
    return np.asarray((patch - patch[::-1, ::-1]) / 2)
