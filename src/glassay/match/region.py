"""Which piece of a chip to show: the richest one that most photos have in common."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.match.pictures import Mask, edge_energy


@dataclass(frozen=True)
class Window:
    """A rectangle on a grid, its top left px and how many of the photos show all of it."""

    left: int
    top: int
    shown_by: int


def richest_window(
    pictures: Sequence[FloatImage], covered: Sequence[Mask], shape: tuple[int, int]
) -> Window | None:
    """The window of `shape` (height, width) that most photos show whole, and the richest of those.

    `pictures` are the photos laid on one grid, in linear light, `covered` where each one reaches,
    all of one shape. Rich is what holds structure in every photo: the geometric mean over the
    photos that cover the window of its mean edge energy (see `edge_energy`), so that what one photo
    alone shows sharply, or one reflection, decides nothing. None when no photo covers a window.
    """
    height, width = shape
    if not pictures or height > pictures[0].shape[0] or width > pictures[0].shape[1]:
        return None
    whole = [_window_mean(mask.astype(np.float32), shape) > 0.9999 for mask in covered]
    count = np.sum(whole, axis=0)
    most = int(count.max())
    if most == 0:
        return None
    total = np.zeros(count.shape)
    for picture, shown in zip(pictures, whole, strict=True):
        energy = edge_energy(picture)
        rich = _window_mean(energy / max(float(energy.mean()), 1e-12), shape)
        total += np.where(shown, np.log(np.maximum(rich, 1e-6)), 0.0)
    total[count < most] = -np.inf
    top, left = np.unravel_index(int(np.argmax(total)), total.shape)
    return Window(int(left), int(top), most)


def _window_mean(picture: FloatImage, shape: tuple[int, int]) -> npt.NDArray[np.float64]:
    """Mean over every window of `shape` that lies within the picture, by its top left px."""
    height, width = shape
    sums = cv2.integral(picture.astype(np.float64))
    total = (
        sums[height:, width:] - sums[:-height, width:] - sums[height:, :-width]
        + sums[:-height, :-width]
    )  # fmt: skip
    return np.asarray(total / (height * width))
