"""A small picture of a placed mosaic, for pages and for measuring a die in it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.mosaic.picture import draw_region, reaching
from glassay.mosaic.placement import drawn_tiles
from glassay.mosaic.result import MosaicResult

REGION_PX = 2048
"""About the side of what is drawn at once, so that memory does not grow with the mosaic."""


def overview(result: MosaicResult, longest_px: int) -> tuple[npt.NDArray[Any], tuple[float, float]]:
    """The mosaic, (height, width, 3) of 8 bits (16 where the tiles have them), its longer side at most
    `longest_px`; and the mosaic's px in one of its px, across and down.

    Regions are drawn at full size, one after the other, and averaged down.
    """
    width, height = result.size
    deep = any(tile.deep for _, tile, _, _ in result.drawn)
    placed = drawn_tiles(result)
    factor = max(1.0, max(width, height) / longest_px)
    size = max(1, round(width / factor)), max(1, round(height / factor))
    across, down = width / size[0], height / size[1]
    out = np.zeros((size[1], size[0], 3), dtype=np.uint16 if deep else np.uint8)
    many = max(1, round(REGION_PX / factor))
    for top in range(0, size[1], many):
        for left in range(0, size[0], many):
            bottom, right = min(top + many, size[1]), min(left + many, size[0])
            x, y = round(left * across), round(top * down)
            w, h = round(right * across) - x, round(bottom * down) - y
            region = np.moveaxis(
                draw_region(reaching(placed, x, y, x + w, y + h), x, y, w, h, deep), 0, -1
            )
            out[top:bottom, left:right] = cv2.resize(
                region, (right - left, bottom - top), interpolation=cv2.INTER_AREA
            )
    return out, (across, down)


def outlines(result: MosaicResult) -> list[tuple[int, npt.NDArray[np.float64]]]:
    """Of every placed tile its number among the files and its border, mosaic px, (n, 2), closed."""
    return [(number, lens.border(matrix)) for number, _, matrix, lens in result.drawn]
