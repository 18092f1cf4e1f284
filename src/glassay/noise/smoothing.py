"""What smoothing did to noise: its power over large areas against that of single px.

Demosaicing and denoising average neighbours. Single px then vary less, but the noise of large areas
stays as it was where means are kept: its power at spatial frequency 0 is the sum of the
autocovariance over all lags (Wiener-Khinchin). A block of B px would miss the part that neighbours
across its border hold, 10 % at 8 px after plain demosaicing and 30 % after a Gaussian of 1 px.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft

REACHES_PX = (6, 12)
"""Lags over which the covariance is summed, and those that the sum is checked with: a Gaussian of
1 px after demosaicing is over at 5 px."""
WIDE_PX = 97
"""Side of the square whose mean is no noise but drift or a lamp's flicker over the picture."""
AGREE = 0.2
"""Relative difference between sums over both reaches, and between dark and bright px, beyond which
smoothing depends on the picture."""

Plane = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Smoothing:
    """`ratio` of the noise power of large areas to the variance of single px, its standard error
    `u`; `far` the ratio from the longer reach; `dark` and `bright` those of each half of the px."""

    ratio: float
    u: float
    far: float
    far_u: float
    dark: float
    bright: float
    half_u: float

    @property
    def depends_on(self) -> str:
        """Upon what smoothing depends, so that no ratio holds; empty where one does."""
        if abs(self.far / self.ratio - 1) > AGREE + 2 * self.far_u / self.ratio:
            near, far = REACHES_PX
            return f"over {far} px it is {self.far / self.ratio:.2f} times that over {near}"
        if abs(self.bright - self.dark) > (AGREE * self.ratio + 2 * math.sqrt(2) * self.half_u):
            return f"in bright parts it is {self.bright / self.dark:.2f} times that in dark ones"
        return ""


def smoothing_of(planes: Sequence[tuple[Plane, Mask, Mask]], white: float) -> Smoothing | None:
    """The smoothing that made the differences what they are; None where there is too little.

    `planes` holds for each pair: differences over the deviation that their px have without rounding,
    which px count, and which of them are bright. `white` is the variance, in the same measure, that
    rounding added after the smoothing: it touches no neighbours.
    """
    gathered: dict[str, tuple[Any, Any]] = {}
    for values, used, bright in planes:
        for name, mask in (("all", used), ("dark", used & ~bright), ("bright", used & bright)):
            product, count = _products(values, mask)
            if name in gathered:
                product, count = product + gathered[name][0], count + gathered[name][1]
            gathered[name] = product, count
    sums = {}
    for name, (product, count) in gathered.items():
        for reach in REACHES_PX:
            found = _sum(product, count, reach)
            if found is None:
                return None
            # what averaging over the wide square took away of all lags alike
            kept = 1 - (2 * reach + 1) ** 2 / WIDE_PX**2
            sums[name, reach] = (found[0] - white) / kept, found[1]
    near, far = REACHES_PX
    ratio, u = sums["all", near]
    if ratio <= 3 * u:
        return None
    return Smoothing(
        ratio, u, *sums["all", far], sums["dark", near][0], sums["bright", near][0],
        math.sqrt((sums["dark", near][1] ** 2 + sums["bright", near][1] ** 2) / 2),
    )  # fmt: skip


def _products(values: Plane, used: Mask) -> tuple[Any, Any]:
    """Sums of products at all lags up to the longest reach, and how many px pairs are in each."""
    reach = REACHES_PX[-1]
    weight = used.astype(np.float32)
    held = cv2.blur(weight, (WIDE_PX, WIDE_PX), borderType=cv2.BORDER_REFLECT)
    wide = cv2.blur(values * weight, (WIDE_PX, WIDE_PX), borderType=cv2.BORDER_REFLECT)
    level = np.asarray((values - wide / np.maximum(held, 1e-3)) * weight, dtype=np.float32)
    shape = [fft.next_fast_len(side + reach, real=True) for side in values.shape]
    found = []
    for plane in (level, weight):
        power = np.abs(fft.rfft2(plane, s=shape)) ** 2
        whole = fft.irfft2(power, s=shape)
        rows = np.concatenate([whole[-reach:], whole[: reach + 1]])
        found.append(np.concatenate([rows[:, -reach:], rows[:, : reach + 1]], axis=1))
    return found[0].astype(np.float64), found[1].astype(np.float64)


def _sum(product: Any, count: Any, reach: int) -> tuple[float, float] | None:
    """Sum of the covariances up to a lag both ways, and its standard error."""
    cut = slice(REACHES_PX[-1] - reach, REACHES_PX[-1] + reach + 1)
    pairs = count[cut, cut]
    if float(pairs.min()) < 1000:
        return None
    covariance = product[cut, cut] / pairs
    total = float(covariance.sum())
    # var(S) = 2 S^2 (lags) / (px), the variance of a spectrum estimate with a square lag window
    # (Priestley 1981, 6.2.4, from memory).
    return total, abs(total) * math.sqrt(2 * (2 * reach + 1) ** 2 / float(pairs.max()))
