"""Signs that a regular pattern in a picture is moire of something finer than its px.

Sampling folds a pattern finer than two px into a coarse one that looks just as regular. Its
contrast is low, since optics and pixels have all but removed it, and its direction has nothing to
do with that of the chip it lies on.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

STRONG = 0.2
"""Amplitude (relative to the mean) from which a pattern is taken as seen directly. Simulated moire
stayed below 0.17, that above 0.03 was told by its colours or by what it left unexplained."""

OFF_DEG = 2.0
"""Largest angle between a chip's edges and a lattice upon it."""

CLEAR_SHARE = 0.3
"""Part of the edges' energy that must lie within `OFF_DEG` of their main direction for it to count;
without any main direction it would be 0.05."""

LEAST_CONTRAST = 0.02
"""Gradient energy of edges, as a contrast per px, below which a picture has no edges to compare."""


def edge_direction_deg(image: FloatImage, period_px: float) -> float | None:
    """Main direction, modulo 90 degrees, of the edges that remain when what repeats at `period_px`
    and finer is smoothed away. None when there is none."""
    grey = image if image.ndim == 2 else image.mean(axis=2)
    soft = cv2.GaussianBlur(np.ascontiguousarray(grey, dtype=np.float32), (0, 0),
                            max(1.0, 0.7 * period_px))  # fmt: skip
    gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    energy = (gx * gx + gy * gy).astype(np.float64)
    strong = energy > np.percentile(energy, 95)
    mean = float(grey.mean())
    if mean <= 0 or math.sqrt(float(energy[strong].mean())) < LEAST_CONTRAST * mean / period_px:
        return None
    angle = np.degrees(np.arctan2(gy[strong], gx[strong])) % 90
    count, _ = np.histogram(angle, bins=360, range=(0, 90), weights=energy[strong])
    smooth = gaussian_filter1d(count, 2, mode="wrap")
    best = (int(np.argmax(smooth)) + 0.5) / 4
    away = np.abs((angle - best + 45) % 90 - 45)
    near = away < OFF_DEG
    if float(energy[strong][near].sum()) < CLEAR_SHARE * float(energy[strong].sum()):
        return None
    return best


def is_off_edges(image: FloatImage, step: Array, amplitude: float) -> bool:
    """Whether a faint lattice lies askew to the edges of the picture that it is in."""
    if amplitude > STRONG:
        return False
    main = edge_direction_deg(image, 1 / math.hypot(*step))
    if main is None:
        return False
    own = math.degrees(math.atan2(step[1], step[0])) % 90
    return abs((own - main + 45) % 90 - 45) > OFF_DEG
