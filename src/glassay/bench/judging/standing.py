"""What stands without doubtful evidence: captures with all that a contradiction touches taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from glassay.bench.keeping.results import CaptureResult, Contradiction
from glassay.finding import Finding
from glassay.quantity import Quantity


def sound(
    captures: Sequence[CaptureResult], contradictions: Sequence[Contradiction]
) -> tuple[CaptureResult, ...]:
    """The captures with all that a contradiction touches taken out: whole captures, or the lengths
    measured in a setting whose scale is in doubt."""
    whole = {
        id for one in contradictions if one.touches == "everything" for id in one.in_doubt
    }  # fmt: skip
    places = {place for one in contradictions if one.touches == "scale" for place in one.places}
    return tuple(
        _without_lengths(one) if (one.capture.instrument, one.capture.setting) in places else one
        for one in captures
        if one.capture.id not in whole
    )


def lengthless(
    captures: Sequence[CaptureResult], contradictions: Sequence[Contradiction]
) -> tuple[CaptureResult, ...]:
    """The captures without any length of instruments of which one setting's scale is in doubt."""
    touched = of_doubtful_scale(contradictions)
    return tuple(
        _without_lengths(one) if one.capture.instrument in touched else one for one in captures
    )


def of_doubtful_scale(contradictions: Sequence[Contradiction]) -> set[str]:
    """Ids of the instruments of which a setting's scale is in doubt."""
    return {i for one in contradictions if one.touches == "scale" for i, _ in one.places}


def _without_lengths(one: CaptureResult) -> CaptureResult:
    parts = tuple(
        replace(part, findings={k: f for k, f in part.findings.items() if not _is_length(f)})
        for part in one.parts
    )
    return replace(one, parts=parts)


def _is_length(finding: Finding) -> bool:
    return isinstance(finding.value, Quantity) and "um" in finding.value.unit
