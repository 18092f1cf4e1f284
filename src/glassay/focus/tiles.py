"""Contrast in parts of the picture: what is at other heights is in focus elsewhere in the run."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.imaging.tone import FloatImage

Array = npt.NDArray[np.float64]

TILES = 3
"""Parts along each side of the piece that is judged: enough for a tilt and for two halves."""

SMALLEST_TILE_PX = 64
"""Side below which a part holds too little to be judged by itself."""

FEWEST_PERIODS = 6.0
"""Periods of the frequency across a part below which its ring is the window's own lobe."""

DETAIL_SHARE = 0.2
"""Peak contrast of a part, over that of the strongest, below which it speaks for its neighbours."""


class TileWatch:
    """Takes the pieces of a run one by one and keeps the power of each part at one frequency."""

    def __init__(self, shape: tuple[int, ...], frequency: float, ring_share: float) -> None:
        self._sides = (shape[0] // TILES, shape[1] // TILES)
        small = min(self._sides)
        self.works = small >= SMALLEST_TILE_PX and small * frequency >= FEWEST_PERIODS
        self._powers: list[list[float]] = []
        if not self.works:
            return
        h, w = self._sides
        f = np.hypot(fft.fftfreq(h)[:, None], fft.rfftfreq(w)[None, :])
        self._ring = np.abs(f - frequency) <= max(ring_share * frequency, 0.75 / small)
        self._window = np.outer(np.hanning(h), np.hanning(w)).astype(np.float32)
        self._scale = float((self._window.astype(np.float64) ** 2).sum())

    def take(self, piece: FloatImage) -> None:
        """`piece` is relative to its mean light."""
        if not self.works:
            return
        h, w = self._sides
        powers = []
        for row in range(TILES):
            for column in range(TILES):
                tile = piece[row * h : (row + 1) * h, column * w : (column + 1) * w]
                spectrum = fft.rfft2((tile - tile.mean()) * self._window)[self._ring]
                power = spectrum.real**2 + spectrum.imag**2
                powers.append(float(power.mean(dtype=np.float64)) / self._scale)
        self._powers.append(powers)

    def contrast(self, noise: float, least_over_noise: float) -> Array:
        """Contrast (frames, parts) of the parts that hold detail: none where parts are too small."""
        if not self._powers:
            return np.zeros((0, 0))
        power = np.array(self._powers)
        contrast = np.sqrt(np.maximum(power - noise, 0.0))
        tops = contrast.max(axis=0)
        detailed = (power.max(axis=0) > least_over_noise * noise) & (
            tops > DETAIL_SHARE * tops.max()
        )
        return np.asarray(contrast[:, detailed])
