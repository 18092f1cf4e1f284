"""Frames block by block, and which blocks can be compared at a place that is told to a px."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

BLOCKS = (9, 16)
"""Rows and columns of blocks in which frame and map are compared."""
AGREES = 0.4
"""Correlation from which a block agrees: of unrelated blocks (some 50 independent px) one in 400
reaches it; true ones reach 0.9, faint cells in the noise of a small camera 0.45."""

Blocks = npt.NDArray[np.float64]


def block_sums(picture: npt.NDArray[np.float32] | npt.NDArray[np.uint8]) -> Blocks:
    """Sum of each block (rows, columns) of a picture (height, width); what is left over is cut off."""
    height, width = picture.shape
    down, across = height // BLOCKS[0], width // BLOCKS[1]
    cut = picture[: down * BLOCKS[0], : across * BLOCKS[1]]
    mean = cv2.resize(cut, (BLOCKS[1], BLOCKS[0]), interpolation=cv2.INTER_AREA)
    return np.asarray(mean * float(down * across), dtype=np.float64)


def comparable(detail: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Of each block (rows, columns), whether it agrees with itself a px aside, both ways.

    Places, and turns at the ends of a frame, are told to about a px. What changes faster, lines with a
    period below five px, agrees or not by chance.
    """
    count = block_sums(np.ones_like(detail))
    mean = block_sums(detail) / count
    spread = np.maximum(block_sums(detail * detail) / count - mean * mean, 1e-6)
    out = np.ones(BLOCKS, np.bool_)
    for axis in (0, 1):
        aside = np.roll(detail, 1, axis)
        out &= block_sums(detail * aside) / count - mean * mean >= AGREES * spread
    return out
