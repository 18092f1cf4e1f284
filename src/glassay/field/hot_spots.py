"""Reflections of lamps in a flat field."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from glassay.field.evenness_result import SPOT_EXCESS, HotSpot
from glassay.fitting import scatter
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]


SPOT_DEVIATIONS = 6.0
SURFACE_ORDER = 4
"""Order of the polynomial that stands for smooth lighting: cos^4 and misplaced lamps fit to 1 %."""


def find_hot_spots(surface: Array, noise: float, block: int) -> tuple[HotSpot, ...]:
    excess = surface - _smooth_surface(surface)
    soft = np.asarray(
        cv2.GaussianBlur(np.nan_to_num(excess).astype(np.float32), (0, 0), 1.0), dtype=np.float32
    )
    least = max(SPOT_EXCESS, SPOT_DEVIATIONS * noise / (2 * math.sqrt(math.pi)))
    reach = max(3, round(0.03 * surface.shape[1]))
    tops = (soft == maximum_filter(soft, 2 * reach + 1)) & (soft > least) & np.isfinite(surface)
    spots = []
    for row, column in np.argwhere(tops):
        # Joined to the top and above half of it: what one lamp covers.
        lit = (soft > soft[row, column] / 2).astype(np.uint8)
        _, labels, stats, _ = cv2.connectedComponentsWithStats(lit, connectivity=4)
        area = stats[labels[row, column], cv2.CC_STAT_AREA]
        x, y = ((v + 0.5) * block - 0.5 for v in _vertex(soft, int(row), int(column)))
        spots.append(
            HotSpot(
                x=float(x), y=float(y), excess=float(soft[row, column]),
                diameter_px=float(2 * math.sqrt(area / math.pi) * block),
            )
        )  # fmt: skip
    return tuple(sorted(spots, key=lambda spot: -spot.excess))


def _vertex(soft: FloatImage, row: int, column: int) -> tuple[float, float]:
    """Column and row of a maximum between samples, by parabolas through its neighbours."""
    found = []
    for line, at in ((soft[row], column), (soft[:, column], row)):
        if 0 < at < line.size - 1:
            before, here, after = (float(v) for v in line[at - 1 : at + 2])
            bend = before - 2 * here + after
            found.append(at + (0.5 * (before - after) / bend if bend < 0 else 0.0))
        else:
            found.append(float(at))
    return found[0], found[1]


def _smooth_surface(surface: Array) -> Array:
    """Polynomial through the lighting, with what stands above it left out."""
    rows, columns = surface.shape
    y, x = np.mgrid[:rows, :columns]
    x = (x - columns / 2) / columns * 2
    y = (y - rows / 2) / columns * 2
    powers = [(i, j) for i in range(SURFACE_ORDER + 1) for j in range(SURFACE_ORDER + 1 - i)]
    design = np.stack([x**i * y**j for i, j in powers], axis=-1)
    known = np.isfinite(surface)
    used = known.copy()
    smooth: Array = np.zeros_like(surface)
    for _ in range(12):
        chosen = design[used]
        solution = np.linalg.solve(chosen.T @ chosen, chosen.T @ surface[used])
        smooth = design @ solution
        rest = surface - smooth
        spread = scatter(rest[used])
        again = known & (rest < max(2 * spread, SPOT_EXCESS / 3)) & (rest > -6 * spread - 0.01)
        if again.sum() < 3 * len(powers) or (again == used).all():
            break
        used = again
    return smooth
