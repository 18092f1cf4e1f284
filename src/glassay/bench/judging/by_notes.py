"""Claims held against what was noted: numbers read off in use, and observations of yes or no."""

from __future__ import annotations

from glassay.bench.document.model import Claim
from glassay.bench.document.observed import NOTED_RULE, observed_values, settling
from glassay.bench.judging.decide import decide
from glassay.bench.judging.held import Held, Seen, by_decision, kindest
from glassay.bench.keeping.results import Statement


def hold(claim: Claim, seen: Seen) -> Held | None:
    """The noted number that comes nearest to keeping the claim; None where none was noted."""
    noted = observed_values(seen.instrument, claim.kind)
    if not noted or claim.value is None:
        return None
    value, where = kindest(noted, claim.sense, claim.value)
    decision = decide(value, claim.value, claim)
    return by_decision(claim, decision, Statement("noted", (where,), (value,)), value)


def hold_as_observed(claim: Claim, seen: Seen) -> Held | None:
    """The latest observation that settles the claim by yes or no; None without one."""
    one = settling(seen.instrument, claim)
    if one is None:
        return None
    why = Statement("observed", (one.what, one.value, one.date))
    return Held("met" if one.holds else "not met", why, NOTED_RULE)
