"""A photo sampled on another grid, without sharpening it.

Where the grid is coarser than the photo, every photo px counts by the area that falls on a px of the
grid. Where it is finer, values follow the cardinal cubic spline through the photo's px (Unser 1999):
its frequency response, sinc^4 f over the sum of sinc^4 (f - n), lies between 0 and 1 everywhere, so
no detail is ever made stronger than the photo has it. Cubic kernels that overshoot 1 at middle
frequencies do sharpen, and are not used.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from glassay.fitting import block_mean
from glassay.imaging.tone import FloatImage

Places = npt.NDArray[np.float64]
Kernel = Literal["smooth", "pixels"]
"""`smooth`: area average and cubic spline; `pixels`: the nearest px, to show the photo's own."""

KERNEL_WORDS: dict[Kernel, str] = {
    "smooth": "area average where reduced, interpolating cubic spline where enlarged",
    "pixels": "nearest pixel",
}


SPLINE_REACH_PX = 16
"""How far a cubic spline reaches: 0.27 to this power is 1e-9."""


def step_of(to_photo: Callable[[Places], Places], shape: tuple[int, int]) -> float:
    """Photo px for each px of the grid, at the grid's middle."""
    x, y = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    p = to_photo(np.array([[x - 0.5, y], [x + 0.5, y], [x, y - 0.5], [x, y + 0.5]]))
    across, down = p[1] - p[0], p[3] - p[2]
    return math.sqrt(abs(float(across[0] * down[1] - across[1] * down[0])))


def resample(
    planes: Sequence[FloatImage],
    to_photo: Callable[[Places], Places],
    shape: tuple[int, int],
    kernel: Kernel = "smooth",
) -> tuple[list[FloatImage], npt.NDArray[np.bool_]]:
    """Planes of one photo, each (height, width), on a grid of `shape` (height, width).

    `to_photo` takes (n, 2) grid points (column, row) to photo px, (0, 0) being the middle of the top
    left px of either. Returns the planes on the grid and where the photo reaches; elsewhere they
    hold the nearest value. Values stay within those of the photo.
    """
    height, width = planes[0].shape
    step = step_of(to_photo, shape)
    smooth = kernel == "smooth"
    factor = max(1, int(step + 1e-6)) if smooth else 1
    parts = max(1, math.ceil(step / factor - 0.02)) if smooth else 1
    # the px of the grid in parts x parts samples, whose mean is its area average
    rows, columns = ((np.arange(side * parts) + 0.5) / parts - 0.5 for side in shape)
    grid = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
    at = to_photo(grid)
    fine = (shape[0] * parts, shape[1] * parts)
    inside = (at >= -0.5).all(axis=1) & (at <= (width - 0.5, height - 0.5)).all(axis=1)
    x, y = ((at - (factor - 1) / 2) / factor).T
    found = [
        block_mean(_values(plane, factor, x, y, 3 if smooth else 0, fine), parts)
        for plane in planes
    ]
    reached = np.asarray(inside, dtype=np.float32).reshape(fine)
    covered = block_mean(reached, parts) > 0.999
    return found, covered


def _values(
    plane: FloatImage, factor: int, x: Places, y: Places, order: int, shape: tuple[int, int]
) -> FloatImage:
    small = block_mean(plane, factor)
    (top, bottom), (left, right) = (
        _reach(values, side) for values, side in zip((y, x), small.shape, strict=True)
    )
    small, x, y = small[top:bottom, left:right], x - left, y - top
    found = ndimage.map_coordinates(small, [y, x], np.float32, order=order, mode="nearest")
    # a spline swings over beside a hard edge; brighter or darker than anything there is no light
    held: FloatImage = np.clip(found, small.min(), small.max()).reshape(shape)
    return held


def _reach(places: Places, side: int) -> tuple[int, int]:
    """First and last + 1 of the px (of `side`) that bear on the values at these places."""
    first = int(np.clip(np.floor(places.min()) - SPLINE_REACH_PX, 0, side - 1))
    last = int(np.clip(np.ceil(places.max()) + SPLINE_REACH_PX + 1, first + 1, side))
    return first, last
