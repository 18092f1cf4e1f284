"""What a claim is held against, and what comes of it: decisions as data.

Sentences are made of them in `glassay.bench.saying.verdicts`, and nowhere else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from glassay.bench.document.model import Claim, Instrument, Sense
from glassay.bench.judging.decide import Decision, figure_of
from glassay.bench.keeping.results import (
    CaptureResult,
    JudgedReading,
    SettingResult,
    Statement,
    VerdictWord,
)
from glassay.quantity import Quantity


@dataclass(frozen=True)
class Seen:
    """What was seen of an instrument, as far as it concerns one claim.

    `settings` and `captures` are those in the claim's setting (all where it names none), without
    photos of sensors' dies; `dies` are captures of the instrument's own sensor, whoever took them.
    """

    instrument: Instrument
    settings: Sequence[SettingResult] = ()
    captures: Sequence[CaptureResult] = ()
    dies: Sequence[CaptureResult] = ()


@dataclass(frozen=True)
class Held:
    """A claim held against evidence: the word, why, and the value that decides."""

    word: VerdictWord
    why: Statement
    rule: str = ""
    value: Quantity | None = None
    value_name: str = ""
    """What the value is, where it is something else than what the claim is about."""
    setting: str | None = None
    details: tuple[Statement, ...] = ()
    readings: tuple[JudgedReading, ...] = ()
    display_width_needed: Quantity | None = None
    detail_limit: Quantity | None = None


def kindest(
    found: Sequence[tuple[Quantity, str]], sense: Sense, claimed: float
) -> tuple[Quantity, str]:
    """Of several values with where each was found, the one nearest to keeping a claim."""
    if sense == "equal":
        return min(found, key=lambda pair: abs(pair[0].value - claimed))
    return (max if sense == "at least" else min)(found, key=lambda pair: pair[0].value)


def untested(kind: str, *names: str, numbers: tuple[Quantity | float, ...] = ()) -> Held:
    """A claim that nothing settles, with the reason."""
    return Held("untested", Statement(kind, names, numbers))


def by_decision(
    claim: Claim, decision: Decision, why: Statement, value: Quantity, setting: str | None = None,
    details: tuple[Statement, ...] = (),
) -> Held:  # fmt: skip
    """A claim as the decision rule has it, with the printed interval said where that decides."""
    return Held(
        decision.word, why, decision.rule, value, "", setting,
        (*printed(claim, decision), *details),
    )  # fmt: skip


def printed(claim: Claim, decision: Decision) -> tuple[Statement, ...]:
    """For which values the printed figure stands, where an exact number would be judged otherwise."""
    if not decision.by_digits:
        return ()
    return (Statement("printed", (figure_of(claim), decision.by_digits)),)
