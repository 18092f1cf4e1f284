"""Contrast in parts of the picture: what is at other heights is in focus elsewhere in the run."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.errors import NotMeasurable
from glassay.fitting import spread
from glassay.focus.curve import Peak, find_peak
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity

Array = npt.NDArray[np.float64]

TILES = 3
"""Parts along each side of the piece that is judged: enough for a tilt and for two halves."""

SMALLEST_TILE_PX = 64
"""Side below which a part holds too little to be judged by itself."""

FEWEST_PERIODS = 6.0
"""Periods of the frequency across a part below which its ring is the window's own lobe."""

LEAVING_PX = 4
"""Way by which a part may lag behind a picture that walks out of the frame."""

DETAIL_SHARE = 0.2
"""Peak contrast of a part, over that of the strongest, below which it speaks for its neighbours."""

PARTED_SHARE = 0.25
"""Way between the heights of the parts, over their depth, beyond which the whole is deeper than they:
at a quarter of it a tilt across the picture makes it 3 % too deep, within the uncertainty."""

FEWEST_PARTS = 2
"""Parts below which heights cannot be told apart."""

SURELY_APART = 4.0
"""Standard uncertainties of the way between two parts that it must exceed: coarse structure that leaks,
or dust, makes a part's peak lopsided."""

SURE_SHARE = 0.125
"""Standard uncertainty of a part's place, over its depth, beyond which it tells no height."""

OF_A_PART = ("scatter of contrast", "lopsided peak", "spacing of the frames")
"""Contributions to best focus that differ from part to part: steps by hand are common to all."""

WIDTH_OF_SIGMA = 2 * math.sqrt(2 * math.log(2))
"""Full width at half maximum of a normal distribution over its standard deviation."""


class TileWatch:
    """Takes the pieces of a run one by one and keeps the power of each part at one frequency."""

    def __init__(self, shape: tuple[int, ...], frequency: float, ring_share: float) -> None:
        self._sides = (shape[0] // TILES, shape[1] // TILES)
        small = min(self._sides)
        self.works = small >= SMALLEST_TILE_PX and small * frequency >= FEWEST_PERIODS
        self._powers: list[list[float]] = []
        self._away = np.zeros(2)
        if not self.works:
            return
        h, w = self._sides
        f = np.hypot(fft.fftfreq(h)[:, None], fft.rfftfreq(w)[None, :])
        self._ring = np.abs(f - frequency) <= max(ring_share * frequency, 0.75 / small)
        self._window = np.outer(np.hanning(h), np.hanning(w)).astype(np.float32)
        self._scale = float((self._window.astype(np.float64) ** 2).sum())

    def take(
        self, frame: FloatImage, level: float, corner: tuple[int, int], step: tuple[float, float]
    ) -> None:
        """`level` is the mean light of the piece, whose corner is at (x, y); the picture walked by
        `step` since the frame before, NaN where that is unknown.

        The parts follow the picture, or what walks out of one would look like going out of focus; one
        that would leave the frame is NaN from there on.
        """
        if not self.works:
            return
        self._away += np.nan_to_num(step)
        h, w = self._sides
        x, y = np.rint(np.array(corner) + self._away).astype(int)
        powers = []
        for row in range(TILES):
            for column in range(TILES):
                top, left = y + row * h, x + column * w
                if min(top, left) < -LEAVING_PX or (
                    top + h > frame.shape[0] + LEAVING_PX or left + w > frame.shape[1] + LEAVING_PX
                ):
                    powers.append(math.nan)
                    continue
                top = min(max(top, 0), frame.shape[0] - h)
                left = min(max(left, 0), frame.shape[1] - w)
                tile = frame[top : top + h, left : left + w] / np.float32(level)
                spectrum = fft.rfft2((tile - tile.mean()) * self._window)[self._ring]
                power = spectrum.real**2 + spectrum.imag**2
                powers.append(float(power.mean(dtype=np.float64)) / self._scale)
        self._powers.append(powers)

    def contrast(self, noise: float, least_over_noise: float) -> Array:
        """Contrast (frames, parts) of the parts that hold detail: none where parts are too small."""
        if not self._powers:
            return np.zeros((0, 0))
        power = np.array(self._powers)
        power = power[:, np.isfinite(power).all(axis=0)]
        if not power.size:
            return np.zeros((0, 0))
        contrast = np.sqrt(np.maximum(power - noise, 0.0))
        tops = contrast.max(axis=0)
        detailed = (power.max(axis=0) > least_over_noise * noise) & (
            tops > DETAIL_SHARE * tops.max()
        )
        return np.asarray(contrast[:, detailed])


@dataclass(frozen=True)
class Heights:
    """Best focus (frames) of the parts of a picture and the depth that they have by themselves.

    `apart` is the way between the parts that are in focus first and last, `sure` whether it is more
    than their uncertainty; `depth` is the median of the parts' depths.
    """

    apart: float
    sure: bool
    places: Array
    depth: Quantity

    @property
    def part(self) -> bool:
        """Whether the parts are so far apart in height that the whole is deeper than any of them."""
        return self.sure and self.apart > PARTED_SHARE * self.depth.value


def heights_of(tiles: Array, uneven: float) -> Heights | None:
    """Where the parts (frames, parts) are in focus; None where fewer than two can tell.

    A part that never falls to half within the run has no depth and does not count.
    """
    peaks, errors = [], []
    for curve in tiles.T:
        try:
            peak = find_peak(curve, uneven)
        except NotMeasurable:
            continue
        own = math.hypot(*(one.u for one in peak.place.contributions if one.source in OF_A_PART))
        if own < SURE_SHARE * peak.depth.value:
            peaks.append(peak)
            errors.append(own)
    if len(peaks) < FEWEST_PARTS:
        return None
    places = np.array([peak.place.value for peak in peaks])
    first, last = int(np.argmin(places)), int(np.argmax(places))
    depths = np.array([peak.depth.value for peak in peaks])
    apart = float(places[last] - places[first])
    sure = apart > SURELY_APART * math.hypot(errors[first], errors[last])
    middle = peaks[int(np.argsort(depths)[depths.size // 2])].depth
    value = float(np.median(depths))
    # Within a part the object slopes on: a third of the way between the outermost on either side.
    slope = apart / (TILES - 1)
    narrowed = math.sqrt(max(value**2 - WIDTH_OF_SIGMA**2 * slope**2 / 12, 0.0))
    parts = (
        *middle.contributions,
        Contribution("depth of the parts", spread(depths), scope="capture"),
        Contribution("heights within a part", value - narrowed, scope="capture"),
    )
    return Heights(apart, sure, places, Quantity(value, "frames", parts))


def of_parts(peak: Peak, heights: Heights) -> Peak:
    """The peak of the whole with the depth that its parts have about the same place, which is as
    uncertain as they are apart."""
    apart = spread(heights.places)
    place = peak.place.with_contribution("heights of the parts", apart, scope="setting")
    middle, half = (peak.low + peak.high) / 2, heights.depth.value / 2
    return replace(peak, place=place, depth=heights.depth, low=middle - half, high=middle + half)
