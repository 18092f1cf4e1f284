"""Practical facts that no photo shows, held against claims and tabled."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

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


Reading = tuple[Quantity, str]
"""A noted number, and where it was noted."""


@dataclass(frozen=True)
class Noted:
    """What noted numbers of one kind come to: those that count, and beside them either those that a
    later note excludes, or two that exclude each other with nothing to tell which is the later."""

    counting: Sequence[Reading]
    earlier: Sequence[Reading] = ()
    at_odds: tuple[Reading, Reading] | None = None


def noted_numbers(instrument: Instrument, kind: str) -> Noted:
    """Of the noted numbers of a kind, the latest counts, and with it all that agree with it."""
    readings = observed_values(instrument, kind)
    counting: list[Reading] = []
    earlier: list[Reading] = []
    for reading in sorted(readings, key=_date, reverse=True):
        against = next((one for one in counting if _exclude(one[0], reading[0])), None)
        if against is None:
            counting.append(reading)
        elif _date(reading) and _date(reading) < _date(against):
            earlier.append(reading)
        else:
            return Noted(readings, (), (against, reading))
    return Noted(counting, earlier)


def _date(reading: Reading) -> str:
    date = reading[1].removeprefix("noted").strip()
    return date if date[:1].isdigit() else ""


def _exclude(one: Quantity, other: Quantity) -> bool:
    """Whether no value lies within what both may be off by (half-widths, sqrt 3 times u)."""
    reach = math.sqrt(3) * (one.u + other.u)
    return abs(one.value - other.value) > reach * (1 + 1e-9)


@dataclass(frozen=True)
class Settled:
    """The observation that decides a claim, and one of the contrary: an earlier one, or, where it is
    `at_odds`, one of which nothing tells that it is earlier."""

    by: Observation
    contrary: Observation | None = None
    at_odds: bool = False


def settling(instrument: Instrument, claim: Claim) -> Settled | None:
    """What was observed to decide this claim by yes or no: the latest counts."""
    return _latest(
        [o for o in instrument.observations if o.settles == claim.id and o.holds is not None]
    )


def answered(instrument: Instrument, kind: str) -> Settled | None:
    """What was observed of a fact of yes or no: the latest counts."""
    return _latest([o for o in instrument.observations if o.kind == kind and o.holds is not None])


def _latest(seen: Sequence[Observation]) -> Settled | None:
    if not seen:
        return None
    latest = max(seen, key=lambda one: one.date)
    contrary = [one for one in seen if one.holds != latest.holds]
    unsure = [one for one in contrary if one.date in ("", latest.date)]
    if unsure:
        return Settled(latest, unsure[0], at_odds=True)
    return Settled(latest, max(contrary, key=lambda one: one.date, default=None))


def fact(instrument: Instrument, kind: str) -> Observation | None:
    """The latest observation of a kind; of several of one day, the first."""
    seen = [one for one in instrument.observations if one.kind == kind]
    return max(seen, key=lambda one: one.date, default=None)
