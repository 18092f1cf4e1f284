"""What repeated exposures give: correlation by ring, findings and evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.finding import Finding
from glassay.quantity import Quantity, combine
from glassay.registration import Shift

Curve = npt.NDArray[np.float64]

METHOD = "Fourier ring correlation of two exposures, threshold 1/7"
NOISE_METHOD = "difference of two exposures"


@dataclass(frozen=True)
class RingCorrelation:
    """Correlation by ring: `frequency` (cycles/px), `correlation`, `u` its standard uncertainty.

    `imbalance` (pairs, rings) is the relative difference of the powers of each pair.
    """

    frequency: Curve
    correlation: Curve
    u: Curve
    imbalance: Curve


@dataclass(frozen=True)
class RepeatResult:
    """What two or more exposures have in common and what not.

    `rings` counts all directions, `rings_x` and `rings_y` those along the axes. Cut-offs are in
    cycles/px; `reaches_nyquist` says that the correlation never fell below the threshold, so that
    the cut-off is only a lower bound, or None where the scene stood still: what repeats up to the
    limit of the pixels may then be the camera's own pattern. `temporal_noise` is the standard
    deviation of one exposure in the units of the pictures (linear light, 1 is full scale), `noise_x`
    and `noise_y` its power spectra along the axes at `noise_frequency_x`, `noise_frequency_y`.
    `shifts` are of each further exposure against the first.
    """

    width: int
    height: int
    rings: RingCorrelation
    rings_x: RingCorrelation
    rings_y: RingCorrelation
    frc_cutoff: Quantity | None
    frc_cutoff_x: Quantity | None
    frc_cutoff_y: Quantity | None
    reaches_nyquist: bool
    temporal_noise: Quantity
    mean_level: float
    noise_frequency_x: Curve
    noise_x: Curve
    noise_frequency_y: Curve
    noise_y: Curve
    shifts: tuple[Shift, ...]
    pixel_size: Quantity | None
    notes: tuple[str, ...]

    def evidence(self) -> dict[str, Any]:
        """The curves for drawing, as plain arrays."""
        return {
            "frequency": self.rings.frequency,
            "correlation": self.rings.correlation,
            "correlation_u": self.rings.u,
            "along_x": (self.rings_x.frequency, self.rings_x.correlation),
            "along_y": (self.rings_y.frequency, self.rings_y.correlation),
            "noise_x": (self.noise_frequency_x, self.noise_x),
            "noise_y": (self.noise_frequency_y, self.noise_y),
        }

    def findings(self) -> dict[str, Finding]:
        """frc_cutoff (and along x and y), temporal_noise, per um on the object when calibrated."""
        ends = {
            "frc_cutoff": self.frc_cutoff,
            "frc_cutoff_x": self.frc_cutoff_x,
            "frc_cutoff_y": self.frc_cutoff_y,
        }
        out = {key: Finding(end, METHOD) for key, end in ends.items() if end is not None}
        if self.frc_cutoff is not None:
            out["frc_reaches_nyquist"] = Finding(self.reaches_nyquist, METHOD)
        out["temporal_noise"] = Finding(self.temporal_noise, NOISE_METHOD)
        if self.pixel_size is not None and self.frc_cutoff is not None:
            both = [self.frc_cutoff, self.pixel_size]
            out["frc_cutoff_object"] = Finding(
                combine(lambda f, p: f / p, both, "cycles/um"), METHOD
            )
            out["frc_period_object"] = Finding(combine(lambda f, p: p / f, both, "um"), METHOD)
        return out
