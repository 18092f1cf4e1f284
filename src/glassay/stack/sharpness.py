"""How sharp each photo is at each place, on several scales, and how much of that is noise.

Scales are the bands of an undecimated B3-spline wavelet transform ("a trous": Starck and Murtagh
1994); sharpness is a band's energy in a window that grows with the scale, as Forster et al. (2004,
Microsc. Res. Tech. 65:33) choose by wavelet coefficients. Noise is told from the run itself: over
photos that lie upon each other, what a pixel shows changes smoothly, so that third differences along
the run hold noise alone wherever focus is not just passing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.exposures import LEAST_OVER_NOISE
from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

SCALES = 3
"""Bands: about 4, 8 and 16 px a period. What is larger stays sharp over so many photos that it says
nothing of depth."""
WINDOWS_PX = (1.4, 2.4, 5.0)
"""Gaussians over which each band's energy is averaged: small, since a window across a step of height
gives the sharper side's depth to both."""
SURE_OVER_NOISE = 12.0
"""Energy at the peak over that of noise and of the softest photo (`LEAST_OVER_NOISE`: below, a place is
not sharp) from which a scale decides alone; depth is known from 6.9, half of the way."""
NEAR_SCALES = 2
"""The finest scales, whose filter and window reach 6 px; the last one reaches 15."""
NOISE_SAMPLES = 3
"""Every third px each way is enough to tell noise."""
LIGHT_CLASSES = 8
LARGEST_VOLUME_BYTES = 600_000_000
"""Sharpness of all photos and scales that is held at once; larger pictures are judged more coarsely."""


def grain(shape: tuple[int, int], photos: int) -> int:
    """Px in one place of the sharpness volume along each axis: 2, or more where memory ends."""
    step = 2
    while shape[0] * shape[1] / step**2 * photos * SCALES * 4 > LARGEST_VOLUME_BYTES:
        step += 1
    return step


def independent(scale: int) -> float:
    """Independent samples in the window of a band: the window's area over that of the band's noise."""
    return max(float(4 * math.pi * WINDOWS_PX[scale] ** 2 / (2 * 4**scale)), 4.0)


@dataclass
class Sharpness:
    """Energies (scales, photos, rows, columns) of a run that is added photo by photo, each pixel of
    these `step` px wide; `noise` (scales, rows, columns) is the energy of noise once all are in."""

    shape: tuple[int, int]
    photos: int
    step: int
    energy: npt.NDArray[np.float32] = field(init=False)
    _added: int = 0
    _recent: list[list[FloatImage]] = field(default_factory=list)
    _spreads: list[Array] = field(default_factory=list)
    _classes: npt.NDArray[np.intp] | None = None
    _light: Array | None = None

    def __post_init__(self) -> None:
        rows, columns = self.shape[0] // self.step, self.shape[1] // self.step
        self.energy = np.zeros((SCALES, self.photos, rows, columns), dtype=np.float32)

    def add(self, picture: FloatImage, inside: npt.NDArray[np.bool_]) -> None:
        """The next photo, aligned; outside of it the nearest values stand, which are not sharp."""
        details = bands(picture)
        size = (self.energy.shape[3], self.energy.shape[2])
        reached = _reduced(inside.astype(np.float32), size, self.step) > 0.999
        for scale, detail in enumerate(details):
            blurred = cv2.GaussianBlur(detail * detail, (0, 0), WINDOWS_PX[scale])
            self.energy[scale, self._added] = _reduced(blurred, size, self.step) * reached
        self._watch(picture, details)
        self._added += 1

    def _watch(self, picture: FloatImage, details: list[FloatImage]) -> None:
        """Keep what tells noise: third differences (or as many as there are photos) of the bands."""
        few = (slice(None, None, NOISE_SAMPLES), slice(None, None, NOISE_SAMPLES))
        if self._classes is None:
            light = cv2.GaussianBlur(picture, (0, 0), 8.0)[few]
            ends = np.quantile(light, np.linspace(0, 1, LIGHT_CLASSES + 1)[1:-1])
            self._classes = np.digitize(light, ends)
            self._light = np.array([
                float(light[self._classes == k].mean()) if (self._classes == k).any() else math.nan
                for k in range(LIGHT_CLASSES)
            ])  # fmt: skip
        self._recent.append([detail[few].copy() for detail in details])
        order = min(3, self.photos - 1)
        if len(self._recent) <= order:
            return
        signs = np.array([math.comb(order, k) * (-1) ** k for k in range(order + 1)])
        scatter = np.full((SCALES, LIGHT_CLASSES), np.nan)
        for scale in range(SCALES):
            change = sum(w * kept[scale] for w, kept in zip(signs, self._recent, strict=True))
            change = np.abs(np.asarray(change)) / math.sqrt(float(signs @ signs))
            for k in range(LIGHT_CLASSES):
                of_class = change[self._classes == k]
                if of_class.size > 50:
                    scatter[scale, k] = float(np.median(of_class)) / 0.6745
        self._spreads.append(scatter)
        self._recent.pop(0)

    def noise(self, light: FloatImage) -> npt.NDArray[np.float32]:
        """Energy of noise in each band, for the light (height, width) of the picture."""
        assert self._light is not None
        size = (self.energy.shape[3], self.energy.shape[2])
        at = _reduced(cv2.GaussianBlur(light, (0, 0), 3.0), size, self.step)
        known = np.isfinite(self._light)
        order = np.argsort(self._light[known])
        found = np.zeros((SCALES, *at.shape), dtype=np.float32)
        scatter = np.nanmedian(np.stack(self._spreads), axis=0)[:, known][:, order]
        for scale in range(SCALES):
            spread = np.interp(at, self._light[known][order], scatter[scale])
            found[scale] = np.maximum(spread, 1e-5) ** 2
        return found


def bands(picture: FloatImage) -> list[FloatImage]:
    """The bands of the B3-spline wavelet transform, finest first, each (height, width)."""
    found = []
    smooth = picture
    for scale in range(SCALES):
        kernel = np.zeros(4 * 2**scale + 1, dtype=np.float32)
        kernel[:: 2**scale] = np.array([1, 4, 6, 4, 1], dtype=np.float32) / 16
        smoother = cv2.sepFilter2D(smooth, -1, kernel, kernel, borderType=cv2.BORDER_REFLECT)
        found.append(np.asarray(smooth - smoother))
        smooth = np.asarray(smoother, dtype=np.float32)
    return found


def _reduced(picture: npt.NDArray[Any], size: tuple[int, int], step: int) -> FloatImage:
    whole = picture[: size[1] * step, : size[0] * step]
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


@dataclass(frozen=True)
class Curves:
    """Sharpness through the run at each place, 1 at its peak, of the finest scales that clear noise.

    `value` (photos, rows, columns); `u` (rows, columns) its standard uncertainty near the peak by
    noise; `trust` (rows, columns) from 0 (nothing sharp) to 1, `near_trust` what of it rests on scales
    that look no farther than a few px (`NEAR_SCALES`).
    """

    value: npt.NDArray[np.float32]
    u: FloatImage
    trust: FloatImage
    near_trust: FloatImage


def curves(energy: npt.NDArray[np.float32], noise: npt.NDArray[np.float32]) -> Curves:
    """One curve from the scales (`Sharpness.energy`, `Sharpness.noise`): the finest decides as far as
    it is above noise, what is left goes to the next."""
    photos, rows, columns = energy.shape[1:]
    value = np.zeros((photos, rows, columns), dtype=np.float32)
    variance = np.zeros((rows, columns), dtype=np.float32)
    left = np.ones((rows, columns), dtype=np.float32)
    near = np.zeros((rows, columns), dtype=np.float32)
    for scale in range(energy.shape[0]):
        own, floor = energy[scale], noise[scale]
        top = own.max(axis=0)
        soft = np.maximum(np.where(own > 0, own, np.inf).min(axis=0), floor)
        soft = np.where(np.isfinite(soft), soft, floor)
        ratio = np.log(np.maximum(top, 1e-20) / soft / LEAST_OVER_NOISE)
        say = left * np.clip(ratio / math.log(SURE_OVER_NOISE / LEAST_OVER_NOISE), 0, 1)
        above = np.maximum(top - floor, 1e-20)
        value += say * np.clip((own - floor) / above, 0, 1)
        # a mean of squares of signal and noise: variance (4 signal noise + 2 noise^2) / samples
        spread = (4 * above * floor + 2 * floor**2) / independent(scale) / above**2
        variance += say**2 * spread
        left = left - say
        if scale == NEAR_SCALES - 1:
            near = 1 - left
    trust = np.asarray(1 - left, dtype=np.float32)
    below = np.maximum(trust, 1e-6)
    value /= below
    u = np.asarray(np.sqrt(variance) / below, dtype=np.float32)
    return Curves(value, u, trust, np.asarray(near, dtype=np.float32))
