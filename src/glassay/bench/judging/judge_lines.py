"""Claims of a smallest detail, held against the finest lines that settings were shown to tell."""

from __future__ import annotations

from collections.abc import Sequence

from glassay.bench.document.model import Claim
from glassay.bench.judging.decide import decide
from glassay.bench.judging.judge_clips import Held
from glassay.bench.keeping.results import CaptureResult, SettingResult
from glassay.bench.measuring.resolved import finest_in
from glassay.bench.saying.words import say_length


def hold_against_lines(
    claim: Claim, settings: Sequence[SettingResult], captures: Sequence[CaptureResult]
) -> Held | None:
    """What the settings say of a claim; None where none of them shows any detail.

    The finest line told by bars or edges decides. Where ring correlation alone leaves room for
    finer ones in another setting, a claim that is not met stays untested: a bound shows no line.
    """
    if claim.value is None:
        return None
    found = [(one, best) for one in settings if (best := finest_in(one, captures)) is not None]
    if not found:
        return None
    one, finest = min(found, key=lambda pair: (pair[1].is_bound, pair[1].line.value))
    decision = decide(finest.line, claim.value, claim)
    where = f"in setting {one.setting.title} ({finest.how})"
    text = say_length(finest.line)
    open_ends = [
        (other, bound) for other, bound in found
        if (bound.is_bound or bound.is_least)
        and decide(bound.line, claim.value, claim).word != "not met"
    ]  # fmt: skip
    if decision.word == "met" and not finest.is_bound:
        return Held("met", f"it is {text} {where}", decision.rule, finest.line, one.setting.title)
    if open_ends or (finest.is_least and decision.word == "not met"):
        other, bound = open_ends[0] if open_ends else (one, finest)
        return Held("untested", f"what is told {f'in setting {other.setting.title}'} is only bounded,"
                    f" by {say_length(bound.line)} ({bound.how}); it takes a photo of a sharp edge"
                    " or a bar target")  # fmt: skip
    said = f"no finer line than {text} can be told" if finest.is_bound else f"it is {text}"
    return Held(decision.word, f"{said} {where}", decision.rule, finest.line, one.setting.title)
