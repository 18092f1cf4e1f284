"""Even rectangular regions of a picture: where an array may be."""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]


Rectangle = tuple[tuple[float, float], tuple[float, float], float]
"""Middle (x, y), size (along, across), and direction of the first side in degrees, as OpenCV's."""

COARSE_PX = 360
"""Long side of the reduced picture in which the rectangle is looked for."""

RECTANGULAR = 0.88
"""Least part of its bounding rectangle that an even region must fill: corners get rounded by
smoothing; die backgrounds with bond wires and logic blocks fill 0.8 and less."""

SOFTNESS = (1.0, 2.2)
"""Smoothing of the reduced picture, px: against noise, and against moire within the array."""

MOST_RECTANGLES = 8
"""Candidates that are refined, each in turn until one passes: bounds the time of pictures of nothing
but rectangles (not studied)."""

LEAST_OF_LARGEST = 0.3
"""Least area of a candidate over that of the largest: a sensor is mostly its array."""

LEAST_SHARE = 0.03
"""Least part of the picture that the array must fill to be measured to a fraction of a percent."""


def candidates(planes: FloatImage, smooth_px: float) -> Iterator[Rectangle]:
    """Even rectangular regions, largest first, in px of the picture."""
    height, width = planes.shape[:2]
    factor = _coarse_factor((height, width))
    size = (round(width / factor), round(height / factor))
    small = np.asarray(cv2.resize(planes, size, interpolation=cv2.INTER_AREA), np.float32)
    small = small.reshape(size[1], size[0], -1)
    found: list[tuple[float, Rectangle]] = []
    for soft in SOFTNESS:
        soft = max(soft, smooth_px / factor)
        change = _change(small, soft)
        for limit in np.quantile(change, np.linspace(0.3, 0.85, 12)):
            found += _regions((change < limit).astype(np.uint8), soft)
    found.sort(key=lambda pair: -pair[0])
    kept = _different([rectangle for _, rectangle in found])
    largest = max((extent[0] * extent[1] for _, extent, _ in kept), default=0.0)
    for middle, extent, angle in kept:
        if extent[0] * extent[1] < LEAST_OF_LARGEST * largest:
            continue  # drivers and scribe lanes beside an array that was itself refused
        place = ((middle[0] + 0.5) * factor - 0.5, (middle[1] + 0.5) * factor - 0.5)
        yield place, (extent[0] * factor, extent[1] * factor), angle


def _coarse_factor(shape: tuple[int, ...]) -> float:
    return max(1.0, max(shape) / COARSE_PX)


def _margin(soft: float) -> float:
    """By how much smoothing makes an even region smaller, coarse px, at most."""
    return 1.5 * soft + 1


def grown_px(shape: tuple[int, ...], smooth_px: float) -> float:
    """The largest margin by which a candidate was grown, px of the picture."""
    factor = _coarse_factor(shape)
    return factor * _margin(max(*SOFTNESS, smooth_px / factor))


def _change(small: FloatImage, soft: float) -> Array:
    """How fast colour changes from px to px, relative to the light: logarithms."""
    blurred = cv2.GaussianBlur(small, (0, 0), soft).reshape(small.shape)
    tone = np.log(np.maximum(blurred, 1e-3 * float(blurred.max())) + 1e-12)
    change = np.zeros(small.shape[:2])
    for plane in np.moveaxis(tone, 2, 0):
        plane = np.ascontiguousarray(plane)
        gx = cv2.Sobel(plane, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
        gy = cv2.Sobel(plane, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
        change = np.maximum(change, np.hypot(gx, gy))
    return change


def _different(rectangles: list[Rectangle]) -> list[Rectangle]:
    """The first few that are not nearly the same as one before."""
    kept: list[Rectangle] = []
    for one in rectangles:
        alike = any(
            math.dist(one[0], other[0]) < 0.03 * max(other[1])
            and abs(one[1][0] * one[1][1] / (other[1][0] * other[1][1]) - 1) < 0.1
            for other in kept
        )
        if not alike:
            kept.append(one)
        if len(kept) == MOST_RECTANGLES:
            break
    return kept


def _regions(even: npt.NDArray[np.uint8], soft: float) -> list[tuple[float, Rectangle]]:
    """Connected even regions that are rectangles within the picture, with their areas."""
    kernel = np.ones((3, 3), np.uint8)
    opened = cv2.morphologyEx(even, cv2.MORPH_OPEN, kernel, iterations=2)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    found = []
    for label in range(1, count):
        area = float(stats[label, cv2.CC_STAT_AREA])
        x, y, w, h = stats[label, :4]
        inside = x > 0 and y > 0 and x + w < even.shape[1] and y + h < even.shape[0]
        if area < LEAST_SHARE * even.size or not inside:
            continue
        region = (labels == label).astype(np.uint8)
        # specks within do not make the array less of a rectangle
        outline, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        contour = max(outline, key=cv2.contourArea)
        middle, size, angle = cv2.minAreaRect(contour)
        if cv2.contourArea(contour) < RECTANGULAR * (size[0] * size[1] + 1e-9):
            continue
        grown = (size[0] + 2 * _margin(soft), size[1] + 2 * _margin(soft))
        found.append((area, ((float(middle[0]), float(middle[1])), grown, float(angle))))
    return found
