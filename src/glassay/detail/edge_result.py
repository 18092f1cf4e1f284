"""What edges in a photo were found to be: each edge, and all of them together."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from glassay.detail.edge_line import EdgeLine, Placement
from glassay.detail.edge_spline import Float
from glassay.detail.edge_spread import ANALYSIS_FREQUENCY, EdgeSpread
from glassay.detail.edge_tone import Toned
from glassay.finding import Finding
from glassay.quantity import Quantity, combine

METHOD = "slanted edge after ISO 12233"

FREQUENCY = np.linspace(0.0, 1.0, 101)
"""Frequencies at which curves are reported, cycles/px along the edge's normal."""


@dataclass(frozen=True)
class Edge:
    """One measured edge.

    `line` with x, y in px of the whole photo; `length` and `half_width` (of the window) in px.
    `direction` is that of the detail it speaks of: "x" (edge upright), "y" (edge level) or
    "diagonal"; `zone` its place in the field: "centre", "middle" or "corner" (thirds of the half
    diagonal).
    """

    line: EdgeLine
    length: float
    direction: str
    zone: str
    spread: EdgeSpread
    placement: Placement
    frequency_50: Quantity
    frequency_10: Quantity | None
    width: Quantity
    overshoot: Quantity
    toned: tuple[Toned, ...] = ()
    """The same edge under each other tone curve that the light may have."""
    loss: Callable[[float], float] = lambda frequency: 0.0
    """How much compression may have taken away of the edge, by frequency (see `edge_loss`)."""

    @property
    def half_width(self) -> float:
        """Half width of the window across the edge, px."""
        return self.spread.half_width

    @property
    def modulation(self) -> Float:
        """The curve at `FREQUENCY`."""
        return np.interp(FREQUENCY, ANALYSIS_FREQUENCY, self.spread.modulation)

    @property
    def modulation_u(self) -> Float:
        """Standard uncertainty of the curve at `FREQUENCY`."""
        return np.interp(FREQUENCY, ANALYSIS_FREQUENCY, self.spread.modulation_u)

    def pixel_aperture(self) -> Float:
        """Transfer of a square pixel of full fill factor along this normal, at `FREQUENCY`."""
        cos, sin = math.cos(self.line.normal), math.sin(self.line.normal)
        return np.asarray(np.sinc(FREQUENCY * cos) * np.sinc(FREQUENCY * sin))


@dataclass(frozen=True)
class RejectedEdge:
    """An edge that was found and not used, and why. The line's x, y in px of the whole photo."""

    line: EdgeLine
    length: float
    reason: str


@dataclass(frozen=True)
class EdgeResponse:
    """Edge response of a photo.

    `modulation` and its 95 % band (`modulation_low`, `modulation_high`) at `FREQUENCY`, pixel
    aperture included. `groups` holds the 50 % frequency by direction and by zone, where edges of
    more than one kind were measured.
    """

    edges: tuple[Edge, ...]
    rejected: tuple[RejectedEdge, ...]
    frequency_50: Quantity
    frequency_10: Quantity | None
    width: Quantity
    overshoot: Quantity
    modulation: Float
    modulation_low: Float
    modulation_high: Float
    groups: dict[str, Quantity] = field(default_factory=dict)
    pixel_size: Quantity | None = None
    notes: tuple[str, ...] = ()

    @property
    def frequency(self) -> Float:
        """Frequencies of the curves, cycles/px."""
        return FREQUENCY

    def evidence(self) -> dict[str, Any]:
        """What is needed to draw the result, as plain data; px of the whole photo."""
        return {
            "edges": [
                {
                    "ends": edge.line.ends(edge.length), "direction": edge.direction,
                    "zone": edge.zone,
                    "frequency_50": edge.frequency_50.value, "frequency_50_u": edge.frequency_50.u,
                    "modulation": [round(float(m), 5) for m in edge.modulation],
                    "position": [round(float(x), 3) for x in edge.spread.position],
                    "spread": [round(float(e), 5) for e in edge.spread.spread],
                }
                for edge in self.edges
            ],
            "rejected": [
                {"ends": one.line.ends(one.length), "reason": one.reason} for one in self.rejected
            ],
            "frequency": self.frequency.tolist(),
            "modulation": self.modulation.tolist(),
            "low": self.modulation_low.tolist(),
            "high": self.modulation_high.tolist(),
        }  # fmt: skip

    def findings(self) -> dict[str, Finding]:
        """The fixed keys of `edge`, groups as `frequency_50_...`, and object units when calibrated."""
        out = {"frequency_50": Finding(self.frequency_50, METHOD)}
        if self.frequency_10 is not None:
            out["frequency_10"] = Finding(self.frequency_10, METHOD)
        out["edge_width_10_90"] = Finding(self.width, METHOD)
        out["overshoot"] = Finding(self.overshoot, METHOD)
        out["edges"] = Finding(len(self.edges), METHOD)
        out |= {
            f"frequency_50_{name}": Finding(value, METHOD) for name, value in self.groups.items()
        }
        if self.pixel_size is not None:
            for key, value in (
                ("frequency_50", self.frequency_50),
                ("frequency_10", self.frequency_10),
            ):
                if value is not None:
                    out[f"{key}_object"] = Finding(per_um(value, self.pixel_size), METHOD)
            width = combine(lambda w, p: w * p, (self.width, self.pixel_size), "um")
            out["edge_width_10_90_object"] = Finding(width, METHOD)
        return out


def per_um(frequency: Quantity, pixel_size: Quantity) -> Quantity:
    """A frequency in cycles/px as one on the object, cycles/um."""
    return combine(lambda f, p: f / p, (frequency, pixel_size), "cycles/um")
