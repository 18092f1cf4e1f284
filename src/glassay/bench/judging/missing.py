"""Captures that are listed and whose files are gone: nothing can be said against what they may show."""

from __future__ import annotations

from collections.abc import Sequence

from glassay.bench.document.model import Bench
from glassay.bench.keeping.results import Contradiction, ContradictionKind, Verdict

KIND: ContradictionKind = "missing file"


def missing_files(bench: Bench) -> tuple[Contradiction, ...]:
    """What the document lists and the folder does not hold."""
    return tuple(
        Contradiction(
            KIND, ((one.capture.instrument, one.capture.setting),), (one.capture.id,),
            names=(one.reason,),
        )
        for one in bench.missing
    )  # fmt: skip


def may_be_met_by_missing(verdict: Verdict, contradictions: Sequence[Contradiction]) -> bool:
    """Whether a claim is not met only as far as captures show that are left: one that is missing was
    taken where it may be met."""
    places = [place for one in contradictions if one.kind == KIND for place in one.places]
    return verdict.word == "not met" and any(
        instrument == verdict.instrument and verdict.claim.setting in (None, setting)
        for instrument, setting in places
    )
