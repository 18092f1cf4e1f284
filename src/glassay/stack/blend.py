"""The stacked picture from the photos and the depth of each px."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.stack.align import Alignment


@dataclass(frozen=True)
class Plan:
    """What the picture is put together by: how the photos lie, the gain that evens the light of each
    (n,), and the photo, whole or between two, that each px is taken from, (height, width)."""

    alignment: Alignment
    gains: npt.NDArray[np.float64]
    places: FloatImage


def moved_onto(
    frame: FloatImage, matrix: npt.NDArray[np.float64], kernel: int
) -> tuple[FloatImage, npt.NDArray[np.bool_]]:
    """A photo as the reference lies, and where it reaches."""
    height, width = frame.shape[:2]
    flags = kernel | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(
        frame, matrix, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    inside = cv2.warpAffine(
        np.ones((height, width), np.float32), matrix, (width, height), flags=flags
    )
    return np.asarray(moved, dtype=np.float32), np.asarray(inside > 0.999)


def blend(frames: Iterable[FloatImage], plan: Plan) -> FloatImage:
    """The stacked picture: each px from the two photos beside its depth, by their distance from it.

    Both are taken, so that noise never exceeds that of one photo by more than resampling adds, and no
    seam shows where depth passes from one to the next.
    """
    alignment, gains, places = plan.alignment, plan.gains, plan.places
    total: FloatImage | None = None
    weights = np.zeros(places.shape, dtype=np.float32)
    nearest = np.full(places.shape, np.inf, dtype=np.float32)
    spare: FloatImage | None = None
    for number, frame in enumerate(frames):
        moved, inside = moved_onto(frame, alignment.matrices[number], cv2.INTER_LANCZOS4)
        moved *= np.float32(gains[number])
        away = np.abs(places - number)
        weight = np.where(inside, np.maximum(0, 1 - away), 0).astype(np.float32)
        if total is None or spare is None:
            total, spare = np.zeros_like(moved), moved.copy()
        total += moved * (weight if moved.ndim == 2 else weight[..., None])
        weights += weight
        closer = inside & (away < nearest)
        nearest[closer] = away[closer]
        spare[closer] = moved[closer]  # where neither of the two reaches
    assert total is not None
    assert spare is not None
    held = np.maximum(weights, 1e-6)
    have = weights > 0.05
    if total.ndim == 3:
        held, have = held[..., None], have[..., None]
    return np.asarray(np.clip(np.where(have, total / held, spare), 0, 1), dtype=np.float32)
