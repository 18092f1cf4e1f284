"""Which directions the straight lines of a photo run across: candidates for the axis of a scale."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage

TILE_PX = 32
"""Side of the tiles whose gradients are pooled: a few lines of a fine scale, one of a coarse one."""

MIN_SEPARATION_DEG = 8.0
"""Two peaks closer than this are one direction; the later fit removes a few degrees of error."""


def axis_candidates(
    grey: FloatImage, mask: npt.NDArray[np.uint8] | None = None, count: int = 4
) -> list[float]:
    """Likely directions of a ruled scale's axis, in radians in (-pi/2, pi/2], best first.

    `grey` has shape (height, width); `mask` is 0 where the photo shows nothing. The axis lies along
    the gradient across the lines, measured
    from the x axis towards the y axis (clockwise as seen). Structure-tensor averages over tiles
    (Bigun and Granlund 1987) vote with their coherence; a tile's energy is capped so that a few
    strong edges cannot outvote a faint scale. Returns fewer than `count` for a plain photo.
    """
    soft = cv2.GaussianBlur(grey, (0, 0), 1.0)
    gx = cv2.Scharr(soft, cv2.CV_32F, 1, 0)
    gy = cv2.Scharr(soft, cv2.CV_32F, 0, 1)
    height, width = grey.shape
    tiles = (max(1, width // TILE_PX), max(1, height // TILE_PX))
    jxx = cv2.resize(gx * gx, tiles, interpolation=cv2.INTER_AREA)
    jyy = cv2.resize(gy * gy, tiles, interpolation=cv2.INTER_AREA)
    jxy = cv2.resize(gx * gy, tiles, interpolation=cv2.INTER_AREA)
    if mask is not None:
        inside = cv2.resize(mask, tiles, interpolation=cv2.INTER_AREA) == 255
        jxx, jyy, jxy = jxx * inside, jyy * inside, jxy * inside
    energy = jxx + jyy
    if not np.any(energy > 0):
        return []
    anisotropy = np.hypot(jxx - jyy, 2 * jxy)
    coherence = anisotropy / np.maximum(energy, 1e-30)
    angle = 0.5 * np.arctan2(2 * jxy, jxx - jyy)
    cap = float(np.percentile(energy, 90))
    weight = coherence**2 * np.minimum(energy, cap if cap > 0 else np.inf)
    return _peaks(angle.ravel(), weight.ravel(), count)


def _peaks(angle: FloatImage, weight: FloatImage, count: int) -> list[float]:
    votes, _ = np.histogram(angle, bins=180, range=(-np.pi / 2, np.pi / 2), weights=weight)
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)
    padded = np.concatenate([votes[-6:], votes, votes[:6]])
    smooth = np.convolve(padded, kernel, mode="valid")
    found: list[float] = []
    while len(found) < count:
        top = int(np.argmax(smooth))
        if smooth[top] <= 0:
            break
        centre = np.deg2rad(top - 90 + 0.5)
        turned = (angle - centre + np.pi / 2) % np.pi - np.pi / 2
        near = np.abs(turned) < np.deg2rad(4.0)
        mass = float(weight[near].sum())
        offset = float((weight[near] * turned[near]).sum() / mass) if mass > 0 else 0.0
        found.append(_wrap(centre + offset))
        away = np.abs((np.arange(180) - top + 90) % 180 - 90) < MIN_SEPARATION_DEG
        smooth[away] = 0
    return found


def _wrap(angle: float) -> float:
    wrapped = (angle + np.pi / 2) % np.pi - np.pi / 2
    return float(wrapped)
