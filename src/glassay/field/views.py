"""From a photo of a grid or a ruled scale to the points that distortion is fitted to."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

import numpy as np

from glassay.errors import NotMeasurable
from glassay.field.distortion import GridView, RulingView, View
from glassay.imaging.tone import FloatImage
from glassay.scale.field_stop import find_field_stop
from glassay.scale.grid import lattice_points
from glassay.scale.measure import ScaleResult, measure_scale


def view_of(grey: FloatImage, *, shows: Literal["grid", "ruled", "auto"] = "auto") -> View:
    """The points of the grid or ruled scale in a photo, (height, width) in linear light.

    "auto" takes a grid that fills the field (whose lines along one direction could pass for a
    scale), else a ruled scale, else a smaller grid. Raises NotMeasurable when there is none.
    """
    if shows == "grid":
        return _grid(grey, strict=False)
    if shows == "ruled":
        return _ruling(measure_scale(grey, pattern="ruled"))
    ways: tuple[Callable[[], View], ...] = (
        lambda: _grid(grey, strict=True),
        lambda: _ruling(measure_scale(grey, pattern="ruled")),
        lambda: _grid(grey, strict=False),
    )
    for find in ways:
        try:
            return find()
        except NotMeasurable:
            continue
    raise NotMeasurable("neither a ruled scale nor a grid was found")


def _grid(grey: FloatImage, *, strict: bool) -> GridView:
    stop = find_field_stop(grey)
    light = np.sqrt(np.maximum(grey, 0)).astype(np.float32)
    if float(light.std()) == 0:
        raise NotMeasurable("the photo is a single shade: there is nothing in it to measure")
    mask = None if stop is None else stop.mask(light.shape)
    points, index = lattice_points(light, mask, strict=strict)
    return GridView(points, index)


def _ruling(result: ScaleResult) -> RulingView:
    segments = np.asarray(result.segments, dtype=np.float64).reshape(-1, 4)
    order = np.argsort(result.along)
    along = np.asarray(result.along, dtype=np.float64)[order]
    # Gap by gap, so that a division that changes across the field cannot slip the count.
    gaps = np.rint(np.diff(along) / result.division.value).astype(np.int64)
    numbers = np.concatenate([[0], np.cumsum(gaps)]).astype(np.int64)
    middles = (segments[order, :2] + segments[order, 2:]) / 2
    return RulingView(middles, numbers, math.radians(result.tilt.value))
