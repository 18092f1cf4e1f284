"""How still a clip's picture stands: its path by sub-pixel registration, drift and shake."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.quantity import Quantity
from glassay.registration import FARTHEST_SHARE, find_shift

Path = npt.NDArray[np.float64]

PIECE_PX = 256
"""Side of the piece of the picture that is followed. Its 65 000 px fix a shift to a few hundredths
of a pixel on any chip; a larger one costs time on every frame."""


ENOUGH_FRAMES = 3
"""A drift is a line: two places lie on it whatever they are, the third tells the scatter."""

REGISTERED_PX = 0.01
"""Standard uncertainty of one registered shift at ordinary noise."""


class Follower:
    """Follows one piece of the picture from frame to frame, holding two pieces at a time.

    Each frame is compared with a reference piece rather than with its predecessor, so that errors
    do not add up; when the picture has wandered far, the present frame becomes the reference.
    """

    def __init__(self, box: tuple[int, int, int, int] | None = None) -> None:
        self._box = box
        self._reference: FloatImage | None = None
        self._last: FloatImage | None = None
        self._base = np.zeros(2)
        self._place = np.zeros(2)
        self._step = 0.0

    @property
    def last_step_px(self) -> float:
        """How far the last frame moved against its predecessor; NaN when that is not known."""
        return self._step

    def follow(self, luma: npt.NDArray[Any], *, same: bool = False) -> tuple[float, float]:
        """Where the picture stands, (columns, rows) in px against the first frame.

        NaN when the frame shares too little with those before (another scene, or none); the path
        then goes on from there. `same` tells that the frame equals its predecessor.
        """
        if self._box is None:
            self._box = choose_piece(luma)
        if same and self._last is not None:
            self._step = 0.0
            return float(self._place[0]), float(self._place[1])
        x, y, w, h = self._box
        piece = luma[y : y + h, x : x + w].astype(np.float32)
        if self._reference is None or self._last is None:
            self._reference = self._last = piece
            return 0.0, 0.0
        shift = find_shift(self._reference, piece)
        if not shift.is_certain:
            step = find_shift(self._last, piece)
            self._reference = self._last = piece
            self._base = self._place
            if not step.is_certain:
                self._step = math.nan
                return math.nan, math.nan
            self._place = self._place + np.array([step.dx, step.dy])
            self._base, self._step = self._place, step.distance
            return float(self._place[0]), float(self._place[1])
        place = self._base + np.array([shift.dx, shift.dy])
        self._step = float(np.hypot(*(place - self._place)))
        self._place, self._last = place, piece
        if shift.distance > FARTHEST_SHARE * min(w, h):
            self._reference, self._base = piece, place
        return float(place[0]), float(place[1])


def choose_piece(luma: npt.NDArray[Any]) -> tuple[int, int, int, int]:
    """(x, y, width, height) of the piece with most detail in both directions."""
    height, width = luma.shape
    w, h = min(width, PIECE_PX), min(height, PIECE_PX)
    factor = max(1, round(max(width, height) / 960))
    small = cv2.resize(
        luma.astype(np.float32), (width // factor, height // factor), interpolation=cv2.INTER_AREA
    )
    soft = cv2.GaussianBlur(small, (0, 0), 1.2)
    gx, gy = (cv2.Sobel(soft, cv2.CV_32F, *d, ksize=1) for d in ((1, 0), (0, 1)))
    size = (max(1, w // factor), max(1, h // factor))
    xx, yy, xy = (
        cv2.boxFilter(p, -1, size, borderType=cv2.BORDER_CONSTANT)
        for p in (gx * gx, gy * gy, gx * gy)
    )
    least = xx + yy - np.sqrt((xx - yy) ** 2 + 4 * xy * xy)  # smaller eigenvalue, doubled
    row, column = np.unravel_index(int(np.argmax(least)), least.shape)
    x = min(max(int(column) * factor - w // 2, 0), width - w)
    y = min(max(int(row) * factor - h // 2, 0), height - h)
    return x, y, w, h


@dataclass(frozen=True)
class Steadiness:
    """Drift (px/s along columns and rows) and shake: the rms distance of the picture from its even
    drift, px; `largest_px` the farthest it went from there."""

    drift_x: Quantity
    drift_y: Quantity
    shake: Quantity
    largest_px: float


def measure_steadiness(times_s: Path, path_px: Path) -> Steadiness | None:
    """Drift and shake of a path, (frames,) and (frames, 2); None for fewer than 3 known places.

    The drift is the slope of a straight line through the path. Its uncertainty counts neighbouring
    frames as one as far as they sway together (first-order autocorrelation).
    """
    known = np.isfinite(path_px).all(axis=1)
    if known.sum() < ENOUGH_FRAMES:
        return None
    t = times_s[known] - times_s[known].mean()
    if not t.any():
        return None
    path = path_px[known] - path_px[known].mean(axis=0)
    slope = t @ path / (t @ t)
    sway = path - np.outer(t, slope)
    count = t.size
    variance = (sway**2).sum(axis=0) / max(count - 2, 1)
    independent = np.array([_independent(axis) for axis in sway.T])
    error = np.sqrt(variance / (t @ t) * count / independent)
    shake = math.sqrt(float(variance.sum()))
    freedom = max(1.0, float(independent.min()) - 2)
    u_shake = math.hypot(shake / math.sqrt(2 * freedom), REGISTERED_PX)
    drift = [
        Quantity.of(float(s), float(e), "px/s", "sway of the picture", freedom)
        for s, e in zip(slope, error, strict=True)
    ]
    return Steadiness(
        drift[0],
        drift[1],
        Quantity.of(shake, u_shake, "px", "length of the clip", freedom),
        float(np.hypot(sway[:, 0], sway[:, 1]).max()),
    )


def _independent(sway: Path) -> float:
    """As how many independent values a swaying series counts, at least 1."""
    power = float(sway @ sway)
    together = float(sway[1:] @ sway[:-1]) / power if power else 0.0
    together = min(max(together, 0.0), 0.98)
    return max(1.0, sway.size * (1 - together) / (1 + together))
