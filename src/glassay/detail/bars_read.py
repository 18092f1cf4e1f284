"""What one triplet of a bar target shows: contrast, period, and what compression may have taken."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from glassay.detail.bars_contrast import BarContrast, read_contrast
from glassay.detail.bars_fit import BarFit, Site, fit_bars
from glassay.detail.bars_locate import shifted
from glassay.detail.bars_result import Bars
from glassay.detail.bars_scale import BLUR_SOURCE
from glassay.detail.edge_loss import LOST
from glassay.imaging.compression import BLOCK, quantization_step
from glassay.imaging.tone import FloatImage, Relight, linear_to_srgb
from glassay.quantity import Quantity

MADE_OUT = 0.04
"""Least contrast of an element whose period is used for the scale: below it, uneven ground and
interpolation pull the fit."""

SURE = 5.0
"""Least contrast, in its own uncertainty, of an element whose period is used."""

OFF_SERIES = 0.08
"""Largest departure of a fitted period from its place in the series before the fit is put aside."""


def read_triplet(
    image: FloatImage, site: Site, dark_bars: bool, other_tones: Sequence[Relight],
    quantization: Mapping[int, Any],
) -> Bars:  # fmt: skip
    """The contrast and period of the triplet expected at `site`, placed anew where it can be fitted."""
    fit = fit_bars(image, site)
    if fit is not None and is_plausible(fit, site):
        site = shifted(site, (fit.offset * site.across[0], fit.offset * site.across[1]))
    light = read_contrast(image, site, dark_bars)
    if light is None:
        return Bars(site, None, None, None)
    contrast = Quantity.of(light.contrast, light.contrast_u, "1", "noise")
    if lost := _lost(light, site, quantization):
        contrast = contrast.with_contribution(LOST, lost, scope="setting")
    period = None
    if fit is not None and is_plausible(fit, site) and light.contrast > max(
        MADE_OUT, SURE * light.contrast_u
    ):  # fmt: skip
        period = Quantity.of(fit.period, fit.period_u, "px", "fit").with_contribution(
            BLUR_SOURCE, fit.model_u, scope="bench"
        )
    return Bars(site, light, contrast, period, tuple(_under(tone, light) for tone in other_tones))


def _lost(light: BarContrast, site: Site, tables: Mapping[int, Any]) -> float:
    """Standard uncertainty of a contrast for what JPEG rounded away.

    A wave that fills a block of 8 x 8 px with amplitude a has a coefficient of 4 a (ITU-T T.81, A.3.3),
    one of smaller bars as much less as their area is; below half a step it is lost. All values between
    nothing and half a step are equally likely (JCGM 100:2008, 4.3.7).
    """
    step = float(quantization_step(tables, 1 / site.period))
    mean = max(0.5 * (light.bar + light.space), 1e-3)
    levels = linear_to_srgb(np.array([0.98, 1.02]) * mean)
    stored = 255 * float(levels[1] - levels[0]) / 0.04  # for a contrast of 1
    filled = min(1.0, 2.5 * site.period * site.length / BLOCK**2)
    return step / 2 / (4 * filled) / math.sqrt(3) / stored


def _under(relight: Relight, light: BarContrast) -> float:
    """The contrast of bars under another tone curve, with the sign of the contrast as read."""
    bar, space = relight(np.maximum([light.bar, light.space], 0.0))
    return math.copysign(abs(bar - space) / max(bar + space, 1e-12), light.contrast)


def is_plausible(fit: BarFit, site: Site) -> bool:
    """Whether a fit found the bars that belong at this place in the series."""
    near = abs(fit.period / site.period - 1) < OFF_SERIES and abs(fit.offset) < 0.3 * site.period
    return near and abs(fit.amplitude) > 6 * fit.amplitude_u
