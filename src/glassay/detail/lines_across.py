"""How much wider lines must be in the corners, from the lines of a ruled scale."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.detail.across_field import ratio_in_corners, zone_at
from glassay.detail.line_response import tenth_of_part
from glassay.detail.line_result import LineResponse
from glassay.field_stop import find_field_stop
from glassay.quantity import Quantity

Float = npt.NDArray[np.float64]


def corner_ratio_of_lines(
    light: npt.NDArray[np.floating],
    segments: Float,
    division_px: float,
    whole: LineResponse,
    quantization: Mapping[int, Any] | None = None,
) -> Quantity | None:
    """The figure from the lines near the centre and those far from it, each superposed by themselves.

    Arguments as of `tenth_of_part`; None where either are too few or do not tell it.
    """
    stop = find_field_stop(np.ascontiguousarray(light, dtype=np.float32))

    def tenth_of(mine: list[Float]) -> tuple[float, float]:
        mine_ = np.array(mine).reshape(-1, 4)
        return tenth_of_part(light, mine_, division_px, whole, quantization)

    middles = (segments[:, :2] + segments[:, 2:]) / 2
    zones = [zone_at(float(x), float(y), light.shape, stop) for x, y in middles]
    return ratio_in_corners(list(segments), zones, tenth_of)
