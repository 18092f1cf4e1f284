"""The contrast of one triplet of bars, from raw pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import erf

from glassay.detail.bars_fit import REACH_WIDTHS, Pixels, Site, pixels_around
from glassay.detail.edge_spline import SplineFit
from glassay.imaging.tone import FloatImage

Float = npt.NDArray[np.float64]

PARABOLA_NOISE = 1.5
"""Noise of a parabola's middle over that of the mean of the same values: the root of 9/4 (least
squares of 1 and x^2 over an even stretch)."""

FEW_PX = 4.2
"""Period below which the fundamental is fitted. Down to there both readings of simulated bars agree to
2 %; below, the spline between pixels that miss the bars' middles is short by up to half at 3 px."""

FINE_BLUR = 0.35
"""Blur of the block of three bars, standard deviation over the period, that of a response of 9 % at
the bars' frequency (a Gaussian): bars that matter here are nearly lost."""


@dataclass(frozen=True)
class BarContrast:
    """Mean light on bars and in spaces, the contrast (bar - space) / (bar + space) and its u.

    `position` (in periods from the middle) and `profile` are the light across the bars.
    """

    bar: float
    space: float
    contrast: float
    contrast_u: float
    position: Float
    profile: Float


def read_contrast(image: FloatImage, site: Site, dark_bars: bool = False) -> BarContrast | None:
    """Contrast of the triplet at `site`, whether or not its bars can be made out.

    Light is read in the middle of the bars and of the two spaces between them, from a quarter of a
    width to either side, not at whatever maximum and minimum noise may have; beyond the limit of
    resolution the contrast may come out negative, as it truly can. None when it lies outside the
    picture.

    Bars of a few px are not sampled in their middles. Of them the fundamental is fitted to all pixels,
    `_fundamental`.
    """
    pixels = pixels_around(image, site)
    if pixels is None:
        return None
    half = math.floor(REACH_WIDTHS * site.period / 2 / pixels.scale * 4) / 4
    u = pixels.u / pixels.scale
    inside = np.abs(u) < half
    period = site.period / pixels.scale
    strip = np.zeros(int(inside.sum()), np.intp)
    fit = SplineFit(u[inside], pixels.value[inside], strip, half)
    profile, position = fit.at_nodes(fit.coefficients), fit.position / period
    noise = float(np.sqrt((fit.residual**2).sum() / max(len(strip) - 0.5 * len(profile), 4)))
    density = len(strip) / (2 * half) * period  # px of the picture for each period
    bar = float(np.mean([_light_at(position, profile, at) for at in (-1, 0, 1)]))
    space = float(np.mean([_light_at(position, profile, at) for at in (-0.5, 0.5)]))
    if site.period < FEW_PX:
        bar, space, contrast_u = _fundamental(pixels, site.period)
        sign = -1 if dark_bars else 1
        contrast = sign * (bar - space) / max(abs(bar + space), 1e-12)
        return BarContrast(bar, space, contrast, contrast_u, position, profile)
    total = max(abs(bar + space), 1e-12)
    bar_u = PARABOLA_NOISE * noise / math.sqrt(max(3 * 0.25 * density, 1))
    space_u = PARABOLA_NOISE * noise / math.sqrt(max(2 * 0.25 * density, 1))
    contrast_u = 2 * math.hypot(space * bar_u, bar * space_u) / total**2
    contrast = (bar - space) / total * (-1 if dark_bars else 1)
    return BarContrast(bar, space, contrast, contrast_u, position, profile)


def _fundamental(pixels: Pixels, period: float) -> tuple[float, float, float]:
    """Light on bars and in spaces by the fundamental of the three bars, and the contrast's u.

    Three blurred bars are a block five widths wide on sloping ground, with a wave in it. Its amplitude
    in phase with the bars counts; a triplet whose place is off by up to a sixth of a period has its
    wave beside it, and has all of it counted. It is the amplitude that endless bars would have.
    """
    u, v, value = pixels.u, pixels.v, pixels.value
    half, spread = 1.25 * period, math.sqrt(2) * FINE_BLUR * period
    block = 0.5 * (erf((u + half) / spread) - erf((u - half) / spread))
    phase = 2 * np.pi * u / period
    basis = np.stack([np.ones_like(u), u / period, v / period, block / 2,
                      block * np.cos(phase), block * np.sin(phase)], axis=1)  # fmt: skip
    normal = np.linalg.pinv(basis.T @ basis)
    terms = normal @ (basis.T @ value)
    freedom = max(len(value) - basis.shape[1], 1)
    noise = math.sqrt(max(float(((value - basis @ terms) ** 2).sum()) / freedom * normal[4, 4], 0))
    mean, wave, beside = float(terms[0] + terms[3] / 2), float(terms[4]), float(terms[5])
    if abs(beside) < math.tan(math.pi / 3) * abs(wave):
        # Noise beside the wave only ever lengthens it; its mean effect is taken off.
        wave = math.copysign(math.sqrt(wave**2 + max(beside**2 - noise**2, 0.0)), wave)
    return mean + wave, mean - wave, noise / max(abs(mean), 1e-12)


def _light_at(position: Float, profile: Float, at: float) -> float:
    """Light in the middle of a bar or space: that of the parabola through an eighth of a period to
    either side. A mean over the same stretch of a sine is 10 % short of its top, the parabola 0.1 %
    (`1 - (9/4 m0 - 15/4 m2)` with the moments of a cosine over that stretch)."""
    step = np.linspace(-1, 1, 17)
    values = np.interp(at + 0.125 * step, position, profile)
    return float(np.polynomial.polynomial.polyfit(step, values, 2)[0])
