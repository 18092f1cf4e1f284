"""Isolated spots of a photo, by local thresholds: cells or dots of a grid."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[Any]

MIN_SPOTS = 16
"""Four by four: fewer tell a grid no better than chance does (common practice, no source)."""


def spots(light: FloatImage, mask: npt.NDArray[np.uint8] | None, bright: bool, size: int) -> Array:
    """Centroids (n, 2) of spots brighter or darker than their surroundings, alike in area."""
    window = max(size, int(size * max(light.shape) / 1500)) | 1
    soft = cv2.GaussianBlur(light, (0, 0), 0.8)
    mean = cv2.blur(soft, (window, window))
    spread = math.sqrt(max(float(((soft - mean) ** 2).mean()), 1e-12))
    sign = 1.0 if bright else -1.0
    weight = np.maximum(sign * (soft - mean) - 0.3 * spread, 0)
    if mask is not None:
        weight = weight * (mask > 0)
    binary = (weight > 0).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(binary, connectivity=4)
    if count < MIN_SPOTS + 1:
        raise NotMeasurable("no grid of cells or dots was found")
    area = stats[:, cv2.CC_STAT_AREA].astype(np.float64)
    x, y = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_TOP]
    w, h = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
    whole = (x > 0) & (y > 0) & (x + w < light.shape[1]) & (y + h < light.shape[0])
    whole[0] = False
    big = whole & (area >= 4)
    if big.sum() < MIN_SPOTS:
        raise NotMeasurable("no grid of cells or dots was found")
    typical = _typical_area(area[big])
    alike = big & (area > 0.5 * typical) & (area < 1.8 * typical)
    if alike.sum() < MIN_SPOTS or alike.sum() > 200_000:
        raise NotMeasurable("no grid of cells or dots was found")
    flat = labels.ravel()
    mass = np.bincount(flat, weights=weight.ravel(), minlength=count)
    grid_x = np.tile(np.arange(light.shape[1]), light.shape[0])
    grid_y = np.repeat(np.arange(light.shape[0]), light.shape[1])
    sum_x = np.bincount(flat, weights=weight.ravel() * grid_x, minlength=count)
    sum_y = np.bincount(flat, weights=weight.ravel() * grid_y, minlength=count)
    safe = np.maximum(mass, 1e-12)
    return np.asarray(np.column_stack([sum_x / safe, sum_y / safe])[alike])


def _typical_area(area: Array) -> float:
    """The area around which most of the covered surface gathers (specks are many but small)."""
    order = np.sort(area)
    cumulative = np.cumsum(order)
    return float(order[int(np.searchsorted(cumulative, cumulative[-1] / 2))])
