"""What a JPEG file's tables say of how much was thrown away."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image

LOSSY_FORMATS = ("JPEG", "MPO", "HEIF", "WEBP")
"""Formats (of `Photo.facts`) that are taken to be compressed with loss."""

BLOCK = 8
"""Side of the blocks that JPEG transforms, px (ITU-T T.81, annex A; from memory)."""

_STANDARD_LUMINANCE_DC_AND_MEAN = (16, 57.625)
"""First entry and mean of the example luminance table of ITU-T T.81, annex K.1."""


def jpeg_quality(tables: Mapping[int, Any]) -> int | None:
    """Quality of the common scaling of the example table (ITU-T T.81 K.1) that comes nearest.

    The scaling (200 - 2 q percent above 50, 5000 / q below) is common practice, no standard.
    """
    table = tables.get(0)
    if not table or len(table) != 64:
        return None
    scale = 100 * (sum(table) / 64) / _STANDARD_LUMINANCE_DC_AND_MEAN[1]
    quality = (200 - scale) / 2 if scale <= 100 else 5000 / scale
    return int(min(100, max(1, round(quality))))


def quantization_step(
    tables: Mapping[int, Any], frequency: npt.ArrayLike
) -> npt.NDArray[np.float64]:
    """Quantisation step of a JPEG's luminance at `frequency` (cycles/px), in stored steps of 255.

    The DCT of 8 x 8 pixels (ITU-T T.81, A.3.3) puts its coefficient (u, v) at (u, v) / 16 cycles/px;
    steps are averaged over the coefficients about each radius. 0 where nothing was quantised.
    """
    f = np.asarray(frequency, dtype=np.float64)
    table = tables.get(0)
    if not table or len(table) != 64:
        return np.zeros_like(f)
    steps = np.asarray(table, dtype=np.float64).reshape(8, 8)
    radius = np.hypot(*np.meshgrid(np.arange(8), np.arange(8))) / 16
    weight = np.exp(-(((f[..., None] - radius.ravel()) * 16) ** 2))
    return np.asarray((weight * steps.ravel()).sum(axis=-1) / weight.sum(axis=-1))


def light_step(
    tables: Mapping[int, Any], mean_light: float
) -> Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]] | None:
    """The quantisation step at a frequency (cycles/px) as linear light about `mean_light` (0 to 1).

    The slope of the tone curve is that of a power of 2.2, near enough to sRGB (IEC 61966-2-1) for
    telling what was rounded away. None where nothing was quantised.
    """
    if not tables.get(0):
        return None
    slope = 2.2 * max(mean_light, 1e-3) ** (1 - 1 / 2.2) / 255
    return lambda frequency: quantization_step(tables, frequency) * slope


def as_jpeg(stored: npt.NDArray[np.uint8], tables: Mapping[int, Any]) -> npt.NDArray[np.uint8]:
    """What a JPEG with these tables gives back of grey values (height, width)."""
    file = io.BytesIO()
    Image.fromarray(stored).save(file, "JPEG", qtables={0: list(tables[0])})
    return np.asarray(Image.open(file))
