"""Claims of a smallest detail, held against the finest lines that settings were shown to resolve."""

from __future__ import annotations

from glassay.bench.document.model import Claim
from glassay.bench.judging.decide import decide
from glassay.bench.judging.held import Held, Seen, by_decision, untested
from glassay.bench.keeping.results import Statement
from glassay.bench.measuring.resolved import finest_in


def hold(claim: Claim, seen: Seen) -> Held | None:
    """What the settings say of a claim; None where none of them shows any detail.

    The finest line resolved by bars or edges decides. Where ring correlation alone leaves room for
    finer ones in another setting, a claim that is not met stays untested: a bound shows no line.
    """
    if claim.value is None:
        return None
    found = [
        (one, best) for one in seen.settings if (best := finest_in(one, seen.captures)) is not None
    ]
    if not found:
        return None
    one, finest = min(found, key=lambda pair: (pair[1].is_bound, pair[1].line.value))
    decision = decide(finest.line, claim.value, claim)
    names = (one.setting.title, finest.how)
    if decision.word == "met" and not finest.is_bound:
        why = Statement("line", names, (finest.line,))
        return by_decision(claim, decision, why, finest.line, one.setting.title)
    open_ends = [
        (other, bound) for other, bound in found
        if (bound.is_bound or bound.is_least)
        and decide(bound.line, claim.value, claim).word != "not met"
    ]  # fmt: skip
    if open_ends or (finest.is_least and decision.word == "not met"):
        other, bound = open_ends[0] if open_ends else (one, finest)
        return untested("line only bounded", other.setting.title, bound.how, numbers=(bound.line,))
    kind = "no finer line" if finest.is_bound else "line"
    why = Statement(kind, names, (finest.line,))
    return by_decision(claim, decision, why, finest.line, one.setting.title)
