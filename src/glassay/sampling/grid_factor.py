"""Enlargements whose mirror falls on the grid of a compression."""

from __future__ import annotations

from collections.abc import Sequence

from glassay.imaging.tone import FloatImage
from glassay.sampling.alias import settle_alias
from glassay.sampling.blocks import GridVerdict
from glassay.sampling.decide import (
    PRIOR_RANGE,
    PRIOR_STRENGTH,
    Source,
    Trace,
    trace_at,
)
from glassay.sampling.mirror import NOISE_STRENGTH, MirrorSpectrum

GRID_COHERENCE = {4.0: 0.30, 8 / 3: 0.42, 2.0: 0.48}
"""With compression, least coherence in noise and photo, along both axes, for the factors where that
is more than JPEG of quality 80 and better leaves in native pairs (0.22, 0.34, 0.37) and in pairs
enlarged by other factors (0.16, 0.34, 0.43). For 8/5 and 4/3 compression leaves more than
enlargement would, and only the signs of block coefficients can tell."""

GRID_OVER_FREE = 4.0
"""A trace on the compression grid goes before one off the grid that has less than a quarter of its
coherence: compression mixes its own frequencies into a true trace, at a tenth of its strength."""

FAINTEST_NOISE = 0.7
"""Noise, in levels, below which rounding to whole levels rules the signs of block coefficients."""


ALIASED, ALIAS = 8 / 3, 8 / 5
LEAST_ALIAS, SURE_ALIAS = 1.1, 3.0
"""Copied pixels mirror at s / (s - 1) as well. Where the signs of block coefficients fit 8/3 so many
times worse than 8/5, coherence does not tell which of the two it is; or it is no 8/3: a pair copied by
8/5 that passed for 8/3 fitted that 4 times worse. Pairs enlarged by 8/3 in JPEG of quality 80 and
better fit it better, or at most 1.1 times worse, one enlarged by 2.68 2.2 times. (4 and 4/3 are not
told apart so: what JPEG leaves of 4 may fit 4/3 four times better.)"""


def find_on_grid(
    noises: Sequence[MirrorSpectrum],
    photos: Sequence[MirrorSpectrum],
    residuals: Sequence[FloatImage],
    agreed: GridVerdict | None,
    signs: GridVerdict | None,
) -> tuple[Trace, ...] | None:
    """One trace for each axis at a factor whose mirror falls on the compression grid, if any.

    Such factors are ratios of small numbers, chosen as such, and the same for both axes; both must
    show them. `agreed` is the verdict of the signs of block coefficients for both axes together
    (see `blocks`) that each axis confirms; it decides if it can, else coherence beyond what
    compression can give. `signs` is that verdict whether or not they confirm it.
    """
    factor = None
    worse = _worse_than_alias(signs)
    source: Source = "noise in blocks"
    faintest = min(float(residual.std()) for residual in residuals)
    if agreed is not None and agreed.is_enlarged and faintest >= FAINTEST_NOISE:
        factor = agreed.factor
    else:
        spectra = [*noises, *photos]
        for candidate, least in GRID_COHERENCE.items():
            if candidate == ALIASED and worse > SURE_ALIAS:
                continue
            if all(_at_factor(s, candidate)[1] >= least for s in spectra):
                factor, source = candidate, "noise and photo"
                break
    if factor is None:
        return None
    places = [_at_factor(noise, factor)[0] for noise in noises]
    by_signs = factor == ALIASED and signs is not None
    if source != "noise in blocks" and not (by_signs and worse <= LEAST_ALIAS):
        settled = [
            settle_alias(place, noise.strength, noise.coherence, noise, residual)
            for place, noise, residual in zip(places, noises, residuals, strict=True)
        ]
        if by_signs and settled != places:
            return None
        places = settled
    traces = tuple(
        trace_at(place, noise, noise.coherence, noise.strength, source)
        for place, noise in zip(places, noises, strict=True)
    )
    if abs(traces[0].factor / traces[-1].factor - 1) > PRIOR_RANGE:
        return None
    # Where the signs have decided, the trace only has to be there.
    least = PRIOR_STRENGTH if source == "noise in blocks" else NOISE_STRENGTH
    return traces if min(trace.strength for trace in traces) >= least else None


def _worse_than_alias(signs: GridVerdict | None) -> float:
    """How many times worse the signs of block coefficients fit 8/3 than 8/5; 0 where there are none."""
    return 0.0 if signs is None else signs.misfits[ALIASED] / max(signs.misfits[ALIAS], 1e-9)


def shows_grid_factor(noise: MirrorSpectrum, photo: MirrorSpectrum) -> bool:
    """Whether one axis alone is as coherent as a factor on the compression grid would make it."""
    return any(
        min(_at_factor(noise, factor)[1], _at_factor(photo, factor)[1]) >= least
        for factor, least in GRID_COHERENCE.items()
    )


def _at_factor(spectrum: MirrorSpectrum, factor: float) -> tuple[int, float]:
    """Index and height of the most coherent mirror at the factor's place on the grid."""
    index = spectrum.peak_at(1 / (2 * factor))
    return index, float(spectrum.coherence[index])
