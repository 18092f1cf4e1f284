"""What a JPEG file's tables say of how much was thrown away."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

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
