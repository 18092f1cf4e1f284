"""Claims held against what was seen: each against what its kind names, first things first."""

from __future__ import annotations

from collections.abc import Sequence

from glassay.bench.document.claims import CLAIM_KINDS, OTHER
from glassay.bench.document.model import Bench, Claim
from glassay.bench.judging.by_die import of_its_sensor, through
from glassay.bench.judging.by_notes import hold_as_observed
from glassay.bench.judging.held import Held, Seen, untested
from glassay.bench.judging.missing import may_be_met_by_missing
from glassay.bench.judging.standing import of_doubtful_scale
from glassay.bench.keeping.results import (
    CaptureResult,
    Contradiction,
    SettingResult,
    Statement,
    Verdict,
)
from glassay.bench.saying.contradictions import why_withheld
from glassay.bench.saying.verdicts import in_words, sentence_of
from glassay.extensions import named


def judge(
    bench: Bench, settings: Sequence[SettingResult], captures: Sequence[CaptureResult]
) -> tuple[Verdict, ...]:
    """A verdict on every claim of the bench, in the order of `bench.toml`."""
    verdicts = []
    for instrument in bench.instruments:
        mine = [one for one in settings if one.instrument.id == instrument.id]
        shown = through(bench, instrument, captures)
        dies = of_its_sensor(bench, instrument, captures)
        for claim in instrument.claims:
            seen = Seen(
                instrument,
                [one for one in mine if claim.setting in (None, one.setting.id)],
                [one for one in shown if claim.setting in (None, one.capture.setting)],
                dies,
            )
            verdicts.append(_verdict(instrument.id, claim, hold(claim, seen)))
    return tuple(verdicts)


def hold(claim: Claim, seen: Seen) -> Held:
    """The first thing that its kind names and that has anything to say of the claim."""
    observed = hold_as_observed(claim, seen)
    if observed is not None:
        return observed
    if claim.kind == OTHER or claim.value is None:
        return untested("in words")
    kind = CLAIM_KINDS[claim.kind]
    for reference in kind.held_by:
        held: Held | None = named(reference)(claim, seen)
        if held is not None:
            return held
    return untested("takes", kind.evidence)


def _verdict(instrument: str, claim: Claim, held: Held) -> Verdict:
    return Verdict(
        instrument, claim, held.word, sentence_of(claim, held.word, held.why), held.rule,
        held.value, held.value_name or ("" if held.value is None else claim.kind), held.setting,
        held.readings, held.display_width_needed, held.detail_limit,
        tuple(in_words(one) for one in held.details),
    )  # fmt: skip


def withhold(
    bench: Bench,
    verdicts: Sequence[Verdict],
    without: Sequence[Verdict],
    lengthless: Sequence[Verdict],
    contradictions: Sequence[Contradiction],
) -> tuple[Verdict, ...]:
    """The verdicts, undecided where they lean on a contradiction: where leaving out what it touches
    (`without`, in the same order) changes anything about them, or where a claim of no setting is not
    met by lengths (`lengthless`, judged without any, differs) and the setting in which it might be met
    is one whose scale is in doubt; or where a capture that is missing may show that it is met."""
    touched = of_doubtful_scale(contradictions)

    def leans(verdict: Verdict, other: Verdict, bare: Verdict) -> bool:
        anywhere = verdict.claim.setting is None and verdict.word == "not met"
        if may_be_met_by_missing(verdict, contradictions):
            return True
        return verdict != other or (anywhere and verdict.instrument in touched and verdict != bare)

    return tuple(
        _withheld(bench, verdict, contradictions)
        if verdict.word != "untested" and leans(verdict, other, bare)
        else verdict
        for verdict, other, bare in zip(verdicts, without, lengthless, strict=True)
    )


def _withheld(bench: Bench, verdict: Verdict, contradictions: Sequence[Contradiction]) -> Verdict:
    touching = [one for one in contradictions if one.touches != "nothing"]
    mine = [one for one in touching if verdict.instrument in (i for i, _ in one.places)]
    here = [one for one in mine if (verdict.instrument, verdict.claim.setting) in one.places]
    why = Statement("as said", (why_withheld((here or mine or touching)[0], bench),))
    return _verdict(verdict.instrument, verdict.claim, Held("undecided", why))
