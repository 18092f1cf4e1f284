"""A focus run that was measured before, asked about another frequency.

What a run keeps (see `FocusResult.evidence`) holds contrast at a row of frequencies and the edge
response of the sharpest photo, so that runs of several instruments can be compared at one frequency
on the object once their pixel sizes are known.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from glassay.errors import NotMeasurable
from glassay.focus.curve import HAND_STEPS, find_peak, with_doubles
from glassay.focus.run import kept_contrast
from glassay.quantity import Quantity


def depth_at(evidence: Mapping[str, Any], frequency: float) -> Quantity:
    """Depth (frames) over which contrast at `frequency` (cycles/px) stays above half of its peak.

    Raises NotMeasurable outside the kept frequencies, where parts of the picture were in focus at
    other heights, and as `find_peak` does.
    """
    if evidence.get("parted"):
        raise NotMeasurable(
            "parts of the picture are in focus at other heights, so that the depth of the whole at"
            " another frequency is none of the lens: level the object, or mark one height with a box"
        )
    known = np.asarray(evidence["band_frequencies"], dtype=np.float64)
    if not known[0] <= frequency <= known[-1]:
        raise NotMeasurable(
            f"focus at {frequency:.3g} cycles/px is not kept; {known[0]:g} to {known[-1]:g} are"
        )
    bands = np.asarray(evidence["bands"], dtype=np.float64)
    rows = [np.interp(np.log(frequency), np.log(known), row) for row in np.log(bands + 1e-9)]
    uneven = float(evidence.get("uneven", HAND_STEPS))
    doubles = int(evidence.get("doubles", 0))
    return with_doubles(find_peak(np.exp(np.array(rows)), uneven), doubles).depth


def quality_at(evidence: Mapping[str, Any], frequency: float) -> Quantity | None:
    """Modulation that edges keep at `frequency` (cycles/px) in the sharpest photo, if it had any."""
    if "edge_frequency" not in evidence:
        return None
    names = ("edge_frequency", "edge_modulation", "edge_low", "edge_high")
    at, middle, low, high = (np.asarray(evidence[key], dtype=np.float64) for key in names)
    return kept_contrast(at, middle, low, high, frequency) if frequency <= at[-1] else None
