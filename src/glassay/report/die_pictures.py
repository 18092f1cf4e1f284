"""Pictures of dies laid level, cut at the silicon's edge."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import numpy.typing as npt
from numpy.typing import ArrayLike

from glassay.report.pictures import Pixels

Places = npt.NDArray[np.float64]

OVERSAMPLED = 3.0
"""Factor beyond which a picture is first averaged down, so that no px of it is passed over."""


def levelled(shown: Pixels, corners: ArrayLike, size: tuple[int, int]) -> Pixels:
    """The die in a picture as an upright rectangle of `size` (width, height) px.

    `corners` in px of the picture from the top left, clockwise. For show: the lens's bow stays.
    """
    ring = np.asarray(corners, np.float64)
    width, height = size
    per = np.hypot(*(ring[1] - ring[0])) / width
    if per > OVERSAMPLED:
        factor = OVERSAMPLED / 2 / per
        less = (max(1, round(shown.shape[1] * factor)), max(1, round(shown.shape[0] * factor)))
        scale = np.array([less[0] / shown.shape[1], less[1] / shown.shape[0]])
        shown = np.asarray(cv2.resize(shown, less, interpolation=cv2.INTER_AREA), np.uint8)
        ring = (ring + 0.5) * scale - 0.5
    target: npt.NDArray[np.float32] = np.array(
        [(-0.5, -0.5), (width - 0.5, -0.5), (width - 0.5, height - 0.5), (-0.5, height - 0.5)],
        np.float32,
    )
    turn = cv2.getPerspectiveTransform(ring.astype(np.float32), target)
    return np.asarray(cv2.warpPerspective(shown, turn, size, flags=cv2.INTER_AREA), np.uint8)


STRIP_ROWS = 256
"""Rows of a laid picture that are made at once: places take 16 bytes a px beside it."""


def laid_on_picture(
    shown: Pixels, in_layer: Callable[[Places], Places], size: tuple[int, int], most_px: int,
) -> Pixels:  # fmt: skip
    """A layer laid on another picture of `size` px (width, height), as sharp as the layer is:
    `in_layer` tells the layer's px for places (n, 2) in the other picture, px. The result shows what
    that one shows, in other px (at most `most_px`); black where the layer shows nothing."""
    width, height = size
    middle = np.array([(width / 2, height / 2), (width / 2 + 1, height / 2)])
    ratio = float(np.hypot(*np.diff(in_layer(middle), axis=0)[0]))
    factor = min(ratio, np.sqrt(most_px / (width * height)))
    columns, rows = (max(1, round(side * factor)) for side in size)
    if ratio > OVERSAMPLED / 2 * factor:  # no px of the layer is passed over
        shown = np.asarray(cv2.GaussianBlur(shown, (0, 0), 0.4 * ratio / factor), np.uint8)
    out = np.empty((rows, columns, *shown.shape[2:]), np.uint8)
    x = (np.arange(columns) + 0.5) * (width / columns) - 0.5
    for top in range(0, rows, STRIP_ROWS):
        y = (np.arange(top, min(top + STRIP_ROWS, rows)) + 0.5) * (height / rows) - 0.5
        grid = np.stack(np.meshgrid(x, y), axis=-1)
        at = in_layer(grid.reshape(-1, 2)).reshape(*grid.shape).astype(np.float32)
        out[top : top + len(y)] = cv2.remap(shown, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    return out


def laid_on_die(
    shown: Pixels, to_photo: Callable[[Places], Places], size_um: tuple[float, float],
    size: tuple[int, int],
) -> Pixels:  # fmt: skip
    """A picture laid on the die, `size` px (width, height) over `size_um`: `to_photo` tells the px of
    the picture for places (n, 2) on the die, um. Black where it shows nothing."""
    columns, rows = size
    u = (np.arange(columns) + 0.5) * (size_um[0] / columns)
    v = (np.arange(rows) + 0.5) * (size_um[1] / rows)
    grid = np.stack(np.meshgrid(u, v), axis=-1)
    at = to_photo(grid.reshape(-1, 2)).reshape(*grid.shape).astype(np.float32)
    per = float(np.hypot(*(at[rows // 2, columns // 2] - at[rows // 2, columns // 2 - 1])))
    if per > OVERSAMPLED / 2:  # no px of the picture is passed over
        shown = np.asarray(cv2.GaussianBlur(shown, (0, 0), 0.4 * per), np.uint8)
    return np.asarray(cv2.remap(shown, at[..., 0], at[..., 1], cv2.INTER_LINEAR), np.uint8)
