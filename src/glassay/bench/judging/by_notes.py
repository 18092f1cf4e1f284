"""Claims held against what was noted: numbers read off in use, and observations of yes or no."""

from __future__ import annotations

from glassay.bench.document.model import Claim
from glassay.bench.document.observed import NOTED_RULE, noted_numbers, settling
from glassay.bench.judging.decide import decide
from glassay.bench.judging.held import Held, Seen, by_decision, kindest
from glassay.bench.keeping.results import Statement


def hold(claim: Claim, seen: Seen) -> Held | None:
    """The noted number that comes nearest to keeping the claim, of those that no later note excludes;
    None where none was noted."""
    noted = noted_numbers(seen.instrument, claim.kind)
    if not noted.counting or claim.value is None:
        return None
    if noted.at_odds is not None:
        (one, where), (other, elsewhere) = noted.at_odds
        return Held("undecided", Statement("notes at odds", (where, elsewhere), (one, other)))
    value, where = kindest(noted.counting, claim.sense, claim.value)
    decision = decide(value, claim.value, claim)
    details = tuple(Statement("noted earlier", (at,), (old,)) for old, at in noted.earlier)
    why = Statement("noted", (where,), (value,))
    return by_decision(claim, decision, why, value, details=details)


def hold_as_observed(claim: Claim, seen: Seen) -> Held | None:
    """The latest observation that settles the claim by yes or no; None without one."""
    settled = settling(seen.instrument, claim)
    if settled is None:
        return None
    one, other = settled.by, settled.contrary
    if other is not None and settled.at_odds:
        names = (one.what, one.value, one.date, other.what, other.value, other.date)
        return Held("undecided", Statement("observed both", names), NOTED_RULE)
    why = Statement("observed", (one.what, one.value, one.date))
    details = (
        (Statement("observed earlier", (other.what, other.value, other.date)),) if other else ()
    )
    return Held("met" if one.holds else "not met", why, NOTED_RULE, details=details)
