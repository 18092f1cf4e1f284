"""Claims of photo pixels where native sampling is not found: what the files' own size settles."""

from __future__ import annotations

from collections.abc import Sequence

from glassay.bench.document.model import Claim
from glassay.bench.judging.decide import decide
from glassay.bench.keeping.results import CaptureResult
from glassay.bench.measuring.methods import medium_of
from glassay.bench.saying.words import say, short
from glassay.quantity import Quantity


def too_small_to_hold(claim: Claim, captures: Sequence[CaptureResult]) -> tuple[str, str] | None:
    """Sentence and rule when no photo stores as many pixels as are claimed; else None.

    A file has at most as many real pixels as it stores, whatever is known of its sampling.
    """
    if claim.kind != "photo pixels" or claim.value is None or claim.sense != "at least":
        return None
    sizes = [
        int(one.facts["width"]) * int(one.facts["height"]) / 1e6
        for one in captures
        if medium_of(one.capture.files) == "photos" and {"width", "height"} <= set(one.facts)
    ]
    if not sizes:
        return None
    decision = decide(Quantity(max(sizes), "MP"), claim.value, claim)
    if decision.word != "not met":
        return None
    sentence = f"the largest of its photos here has {short(max(sizes))} million pixels in all"
    return sentence, f"{decision.rule} The value is the most that the file can hold."


def native_but_no_sensor(captures: Sequence[CaptureResult]) -> str:
    """What a native count says of the sensor, which may deliver fewer pixels than it has."""
    found = [c.findings["native_megapixels"] for c in captures if "native_megapixels" in c.findings]
    if not found:
        return ""
    most = max((finding.quantity for finding in found), key=lambda quantity: quantity.value)
    return (
        f"its photos carry {say(most)} million real pixels, but a sensor may have more than it"
        " delivers; a photo of the sensor's own die would tell"
    )


def why_not_told(captures: Sequence[CaptureResult]) -> str:
    """What is said where exposures are there and cannot tell; "" where there are none."""
    for one in captures:
        verdict = one.findings.get("native_verdict")
        if verdict is not None and verdict.value == "cannot tell":
            part = one.part("native sampling")
            notes = part.notes if part is not None else ()
            return f"{one.capture.id} does not tell: {notes[0] if notes else 'no trace was found'}"
    return ""
