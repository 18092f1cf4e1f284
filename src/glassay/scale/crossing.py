"""Whether lines as far apart cross the ones found: then they are a grid of lines, as on a chamber."""

from __future__ import annotations

import math

from glassay.fitting import block_mean
from glassay.scale.result import View
from glassay.scale.search import Sighting, rows_along

SEARCH_PIXELS = 3_500_000
"""Size of the copy that is searched, as for the first row."""
SAME_PITCH = 0.03
"""Relative difference of the two pitches that perspective and distortion may make between the parts
of a photo where they are seen."""
FEWEST = 4
"""Lines of the second direction that must be seen."""


def is_crossed(view: View, row: Sighting, division_px: float) -> bool:
    """Whether evenly spaced lines of the same division run across those of `row`."""
    factor = max(1, math.ceil(math.sqrt(view.light.size / SEARCH_PIXELS)))
    small = block_mean(view.light, factor)
    mask = view.mask
    if mask is not None:
        mask = mask[::factor, ::factor][: small.shape[0], : small.shape[1]]
    across = (row.angle + math.pi) % math.pi - math.pi / 2
    return any(
        len(other.numbers) >= FEWEST and abs(other.period * factor / division_px - 1) < SAME_PITCH
        for other in rows_along(small, mask, across)
    )
