"""Pictures made smaller, which leave mirrors too: the rival of every small or weak enlargement.

A picture that is made smaller by s without a filter is sampled at steps of 1/s px between its own px:
where a step falls on a px its noise is whole, between two it is averaged. That variance is as periodic
as that of an enlarged picture, with the same periods: shrinking by s mirrors where enlargement by
s / (2 s - 1) or s / (1 - s) would. Two things tell them apart. Enlargement ties whatever stands beyond
the native Nyquist frequency to what stands below it: whole, and weakened by its kernel. Shrinking ties
a part, for no kernel averages more than between two px, and leaves the noise as strong up there.
"""

from __future__ import annotations

import numpy as np

from glassay.sampling.mirror import MirrorSpectrum

SHRUNK_COHERENCE = 0.45
"""Coherence of noise that shrinking does not reach: 320 pairs made smaller (0.55 to 0.97; bilinear,
bicubic, Lanczos; grey and mosaic; sharpened or not; lossless and JPEG) stayed below it."""

SHRUNK_DETAIL = 0.65
"""The same in the detail of a photo, which a mosaic ties more strongly: 0.62 at most."""

LEFT_BEYOND = 0.25
"""Most noise power, against that well below the native Nyquist frequency, that enlargement leaves far
beyond it: 0.20 in 160 pairs of the study; pairs made smaller had 0.3 to 1.6 at mirrors of
`ALIKE_FACTOR` and more."""

ALIKE_FACTOR = 1.28
"""Below this factor a mosaic's smoothed noise, made smaller, falls as steeply as enlarged noise."""


def noise_beyond(noise: MirrorSpectrum, factor: float) -> float:
    """Noise power far beyond the Nyquist frequency that enlargement by `factor` would have, as a share
    of that well below it; rounding is taken off both."""
    end = 1 / (2 * factor)
    at = noise.power_frequency
    low = noise.power[(at >= end / 4) & (at < 0.6 * end)]
    high = noise.power[at > (end + 0.5) / 2]
    left, below = (float(part.mean()) - noise.rounding for part in (high, low))
    return max(left, 0.0) / max(below, 1e-3 * noise.rounding, 1e-12)


def may_be_shrunk(
    noise: MirrorSpectrum | None, photo: MirrorSpectrum, factor: float, *, is_enlarged: bool = False
) -> bool:
    """Whether the mirror of enlargement by `factor` may be what making a picture smaller left.

    `is_enlarged` says that the other axis is surely enlarged: then small factors need no more proof.
    """
    is_alike = factor < ALIKE_FACTOR and not is_enlarged
    if _coherence(photo, factor) >= SHRUNK_DETAIL:
        return False
    if noise is None:
        return is_alike
    if _coherence(noise, factor) >= SHRUNK_COHERENCE:
        return False
    return is_alike or noise_beyond(noise, factor) > LEFT_BEYOND


def _coherence(spectrum: MirrorSpectrum, factor: float) -> float:
    near = np.abs(spectrum.frequency - 1 / (2 * factor)) < 1.2 / spectrum.length
    return float(spectrum.coherence[near].max(initial=0.0))
