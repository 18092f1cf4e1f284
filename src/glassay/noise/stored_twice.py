"""Whether two files may hold one exposure, compressed differently.

JPEG rounds each cosine coefficient of a block of 8 x 8 px to a multiple of its step (ITU-T T.81,
A.3.4): what it stores lies within half a step of what the camera saw. Two files of one exposure
therefore nowhere differ by more than half the sum of both steps, and the little that rounding to whole
levels adds. Noise of two exposures knows no such bound.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.imaging.compression import BLOCK

Plane = npt.NDArray[np.floating]

LOWEST = (1, 4)
"""Sum of both indices of the coefficients looked at: steps are small there, and no step is so large
that noise, too, would stay within it."""
SLACK = 1.5
"""What decoding to whole levels adds, levels: five standard deviations of two roundings (1/12 each)."""
LEAST_BEYOND = 0.001
"""Share of coefficients that must lie beyond the bound for two exposures. One exposure stored twice,
at qualities of 60 to lossless, gave up to 0.00016; two exposures of 1000 to 20 000 electrons 0.0014 and
more, but for 0.0003 at qualities 80 and 60 and the least noise. There compression decides what is left
of the noise, and it is not to be measured either."""
MOST_PX = 384
"""Side of the piece looked at: 2304 blocks of 14 coefficients, of which `LEAST_BEYOND` are 32,
counted to a fifth."""


def beyond_rounding(a: Plane, b: Plane, tables: Sequence[Mapping[int, Any]]) -> float | None:
    """Share of low block coefficients by which two pictures differ more than their rounding explains.

    `a` and `b` (height, width) are luma in stored levels of 255; `tables` both files' quantisation
    tables, empty for a lossless file. None where both were rounded alike, which would hide all but
    differences of a whole step, or neither at all. The blocks' grid is found, for the part shown may
    begin anywhere.
    """
    steps = [_steps(table) for table in tables]
    if np.array_equal(steps[0], steps[1]):
        return None
    difference = np.asarray(a - b, dtype=np.float64)
    top, left = (max(0, (n - MOST_PX) // 2) for n in difference.shape)
    piece = difference[top : top + MOST_PX, left : left + MOST_PX]
    down, across = np.indices((BLOCK, BLOCK))
    low = (down + across >= LOWEST[0]) & (down + across <= LOWEST[1])
    bound = (steps[0] + steps[1])[low] / 2 + SLACK
    shares = [
        float((np.abs(_coefficients(piece[y:, x:])[:, low]) > bound).mean())
        for y in range(BLOCK)
        for x in range(BLOCK)
    ]
    return min(shares)


def _steps(table: Mapping[int, Any]) -> npt.NDArray[np.float64]:
    own = table.get(0) or [0] * BLOCK**2
    return np.asarray(own, dtype=np.float64).reshape(BLOCK, BLOCK)


def _coefficients(part: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Orthonormal cosine coefficients (blocks, down, across) of the whole blocks of a part."""
    rows, columns = (n // BLOCK for n in part.shape)
    blocks = part[: rows * BLOCK, : columns * BLOCK].reshape(rows, BLOCK, columns, BLOCK)
    return np.asarray(fft.dctn(blocks.swapaxes(1, 2), axes=(2, 3), norm="ortho")).reshape(
        -1, BLOCK, BLOCK
    )
