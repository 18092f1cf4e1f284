"""The even frame around a photo that is a picture of a photo: a border, a letterbox, a screenshot.

No camera delivers rows or columns of one value at the rim of a scene: its field ends elsewhere then.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage

ONE_VALUE = 0.004
"""Scatter of a row of one value, in parts of full scale after the square root: one level of 256."""
ITS_VALUE = 0.016
"""Four levels: what compression makes of such a row next to others, and how far px that belong to a
frame differ from it."""
LEAST_PX, LEAST_SHARE = 4, 0.005
"""Fewer rows than these, or than this part of the side, are what decoders and stabilisers leave."""
BESIDE_PX, BLOCK_PX = 8, 8
"""Rows within the frame that are looked at, and rows of a compression's block before them."""
SAMPLED = 256
"""Columns by which rows are looked through before they are looked at whole."""
ENDS_SHARE = 0.5
"""Part of the px within that must differ from the frame: where a scene is as white as paper at its rim,
or as black, nothing tells where it ends."""


@dataclass(frozen=True)
class Rim:
    """Widths of an even frame at the four sides, px; not all 0."""

    left: int
    top: int
    right: int
    bottom: int

    @property
    def widest(self) -> int:
        """The widest side, px."""
        return max(self.left, self.top, self.right, self.bottom)

    def __str__(self) -> str:
        sides = vars(self).items()
        return ", ".join(f"{px} px at the {side}" for side, px in sides if px)


def even_rim(tone: FloatImage) -> Rim | None:
    """The even frame of a picture (height, width) of about 0..1, the square root of light; or None."""
    top, bottom = _ends(tone), _ends(tone[::-1])
    across = tone.T
    left, right = _ends(across), _ends(across[::-1])
    return Rim(left, top, right, bottom) if left or top or right or bottom else None


def _ends(picture: npt.NDArray[np.float32]) -> int:
    """How many rows at the top are of one value, where a scene begins below them; else 0."""
    value = float(np.median(picture[0]))
    few = picture[:, :: max(1, picture.shape[1] // SAMPLED)]
    if not _is_even(few[: math.ceil(_fewest(picture))], value).all():
        return 0  # as in nearly every photo: the rest need not be looked through
    count = _even_rows(few, value)
    if not _ends_at(few, count, value):
        return 0
    count = _even_rows(picture[:count], value)
    return count if _ends_at(picture, count, value) else 0


def _ends_at(picture: npt.NDArray[np.float32], count: int, value: float) -> bool:
    """Whether so many rows of a value are a frame: a scene unlike it begins below them."""
    begins = picture[count + BLOCK_PX : count + BLOCK_PX + BESIDE_PX]
    if count < _fewest(picture) or not begins.size:
        return False
    return bool((np.abs(begins - value) > ITS_VALUE).mean() >= ENDS_SHARE)


def _fewest(picture: npt.NDArray[np.float32]) -> float:
    """Fewer rows are no frame."""
    return max(LEAST_PX, LEAST_SHARE * len(picture))


def _is_even(rows: npt.NDArray[np.float32], value: float) -> npt.NDArray[np.bool_]:
    """Which rows are of this one value."""
    even = np.abs(rows.mean(axis=1) - value) <= ONE_VALUE
    even &= rows.std(axis=1) <= ONE_VALUE
    return np.asarray(even & (np.abs(rows - value).max(axis=1, initial=0) <= 2 * ITS_VALUE))


def _even_rows(picture: npt.NDArray[np.float32], value: float) -> int:
    """How many rows at the top are of this one value; looked through as far as they are."""
    for y in range(0, len(picture), ROWS_AT_ONCE):
        even = _is_even(picture[y : y + ROWS_AT_ONCE], value)
        if not even.all():
            return y + int(even.argmin())
    return len(picture)


ROWS_AT_ONCE = 64
"""Rows that are looked through before it is asked whether they end there."""
