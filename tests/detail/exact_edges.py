"""Pictures of straight edges, exact to rounding: no simulation of optics, only their transfer.

A knife edge seen through a response of known transfer and integrated over square pixels is, along
its normal, a step with the transfer MTF(f) sinc(f cos a) sinc(f sin a). Its edge spread function is
E(d) = 1/2 + int_0^inf MTF(f) sin(2 pi f d) / (pi f) df, evaluated here by fine quadrature.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

Float = npt.NDArray[np.float64]
Transfer = Callable[[Float], Float]
REACH_PX = 180.0


def pupil(cutoff: float) -> Transfer:
    """An aberration-free circular pupil, `cutoff` in cycles/px (Goodman, Fourier Optics, 6.3)."""

    def transfer(f: Float) -> Float:
        n = np.clip(np.abs(f) / cutoff, 0, 1)
        return np.asarray(2 / np.pi * (np.arccos(n) - n * np.sqrt(1 - n * n)))

    return transfer


def gaussian(sigma_px: float) -> Transfer:
    """A Gaussian blur."""
    return lambda f: np.exp(-2 * (np.pi * sigma_px * f) ** 2)


class ExactEdge:
    """An edge whose normal points `angle_deg` from +x towards +y, to its bright side."""

    def __init__(self, optics: Transfer, angle_deg: float, highest: float) -> None:
        self._optics, self.angle = optics, np.radians(angle_deg)
        steps = 2000 + int(2000 * highest)
        f = (np.arange(steps) + 0.5) / steps * highest
        weight = self.transfer(f) / (np.pi * f) * (highest / steps)
        d = REACH_PX * np.linspace(0, 1, 900) ** 2
        rise = np.einsum("df,f->d", np.sin(2 * np.pi * d[:, None] * f), weight)
        self._rise = CubicSpline(d, rise)

    def transfer(self, f: Float) -> Float:
        """Response along the normal, pixel included."""
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        return np.asarray(self._optics(f) * np.sinc(f * cos) * np.sinc(f * sin))

    def frequency_at(self, level: float) -> float:
        """Where the response first falls to `level`, cycles/px."""
        f = np.linspace(0, 1.2, 24_001)
        return float(f[np.argmax(self.transfer(f) < level)])

    def spread(self, d: Float) -> Float:
        """Edge spread at distance `d`, 0 on the dark and 1 on the bright side."""
        return np.asarray(0.5 + np.sign(d) * self._rise(np.minimum(np.abs(d), REACH_PX)))

    def picture(
        self, width: int = 200, height: int = 160, *, offset: float = 0.3, dark: float = 0.2,
        bright: float = 0.8, noise: float = 0.0, seed: int = 0, bow: float = 0.0,
    ) -> npt.NDArray[np.float32]:  # fmt: skip
        """Linear light; `noise` is its standard deviation, `bow` the edge's curvature (1/px)."""
        x = np.arange(width) - (width - 1) / 2 - offset
        y = (np.arange(height) - (height - 1) / 2)[:, None]
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        d = x * cos + y * sin - bow * (y * cos - x * sin) ** 2
        light = dark + (bright - dark) * self.spread(d)
        light += noise * np.random.default_rng(seed).standard_normal(light.shape)
        return light.astype(np.float32)
