"""Claims of pixels where native sampling is not found: what the files' own size settles."""

from __future__ import annotations

from glassay.bench.document.model import Claim
from glassay.bench.judging.decide import decide
from glassay.bench.judging.held import Held, Seen, untested
from glassay.bench.keeping.results import Statement
from glassay.bench.measuring.methods import medium_of
from glassay.quantity import Quantity


def hold_against_files(claim: Claim, seen: Seen) -> Held | None:
    """ "not met" where no photo stores as many pixels as are claimed; else None.

    A file has at most as many real pixels as it stores, whatever is known of its sampling.
    """
    if claim.value is None or claim.sense != "at least":
        return None
    sizes = [
        int(one.facts["width"]) * int(one.facts["height"]) / 1e6
        for one in seen.captures
        if medium_of(one.capture.files) == "photos" and {"width", "height"} <= set(one.facts)
    ]
    if not sizes:
        return None
    decision = decide(Quantity(max(sizes), "MP"), claim.value, claim)
    if decision.word != "not met":
        return None
    rule = f"{decision.rule} The value is the most that the file can hold."
    return Held("not met", Statement("files too small", (), (max(sizes),)), rule)


def native_but_no_sensor(claim: Claim, seen: Seen) -> Held | None:
    """What a native count says of the sensor, which may deliver fewer pixels than it has."""
    found = [
        one.findings["native_megapixels"].quantity
        for one in seen.captures
        if "native_megapixels" in one.findings
    ]
    if not found:
        return None
    most = max(found, key=lambda quantity: quantity.value)
    return untested("native but no sensor", numbers=(most,))


def why_not_native(claim: Claim, seen: Seen) -> Held | None:
    """Why exposures that are there cannot tell; None where there are none."""
    for one in seen.captures:
        verdict = one.findings.get("native_verdict")
        if verdict is not None and verdict.value == "cannot tell":
            part = one.part("native sampling")
            notes = part.notes if part is not None else ()
            return untested("does not tell", one.capture.id, notes[0] if notes else "")
    return None
