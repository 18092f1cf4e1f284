"""Practical facts that no photo shows, held against claims and tabled."""

from __future__ import annotations

import math

from glassay.bench.document.model import Claim, Instrument, Observation
from glassay.quantity import Quantity

NOTED_RULE = "decided by what was observed, yes or no; no number and no uncertainty"


def observed_values(instrument: Instrument, kind: str) -> list[tuple[Quantity, str]]:
    """Every noted number of this kind of claim, and where it was noted.

    What it may be off by (`within`, or half its last digit) is the half-width of a rectangular
    distribution (JCGM 100:2008, 4.3.7).
    """
    found = []
    for one in instrument.observations:
        if one.kind == kind and one.number is not None and one.settles is None:
            u = one.within / math.sqrt(3)
            value = Quantity.of(one.number, u, one.unit, "reading of what was noted")
            found.append((value, f"noted {one.date}".strip()))
    if kind == "working distance" and instrument.clearance_um is not None:
        found.append((Quantity(instrument.clearance_um, "um"), "noted as clearance"))
    return found


def settling(instrument: Instrument, claim: Claim) -> Observation | None:
    """The latest observation that decides this claim by yes or no."""
    deciding = [
        one for one in instrument.observations if one.settles == claim.id and one.holds is not None
    ]
    return max(deciding, key=lambda one: one.date, default=None)


def fact(instrument: Instrument, kind: str) -> Observation | None:
    """The latest observation of a kind."""
    seen = [one for one in instrument.observations if one.kind == kind]
    return max(seen, key=lambda one: one.date, default=None)
