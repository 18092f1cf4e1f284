"""Claims that clips settle: frame rate, video size, recording time.

A clip proves less than it shows: it may be short because its maker ended it, small because a small
mode was chosen, and even because nothing in it moved. What it leaves open stays untested.
"""

from __future__ import annotations

from glassay.bench.document.model import Claim
from glassay.bench.judging import by_notes
from glassay.bench.judging.decide import EQUAL_TO_ROUNDING, decide
from glassay.bench.judging.held import Held, Seen, by_decision, untested
from glassay.bench.keeping.results import CaptureResult, Statement
from glassay.bench.measuring.clip_rates import ENOUGH_FRAMES, is_clip, surest_rate
from glassay.quantity import Quantity


def rate(claim: Claim, seen: Seen) -> Held:
    """Different pictures a second, by the clip that shows most for certain; else as noted."""
    found = surest_rate(seen.captures)
    if found is None:
        return by_notes.hold(claim, seen) or untested("no moving clip", numbers=(ENOUGH_FRAMES,))
    value, one = found
    decision = decide(value, claim.value or 0.0, claim)
    why = Statement("delivers", (one.capture.id,), (value,))
    return by_decision(claim, decision, why, value, one.capture.setting, _beside_the_rate(one))


def _beside_the_rate(one: CaptureResult) -> tuple[Statement, ...]:
    """What the file itself names, where that is another rate, and what is in doubt."""
    delivered = one.findings["delivered_rate"]
    if "repeated_frames" not in one.findings:
        return ()
    repeated = one.findings["repeated_frames"].quantity
    if repeated.u:
        return (Statement("repeats hidden"),)
    stated = one.findings.get("nominal_rate")
    if (
        stated is None
        or not repeated.value
        or abs(stated.quantity.value - delivered.quantity.value) <= delivered.quantity.expanded
    ):
        return ()
    frames = one.findings["frames"].quantity
    return (Statement("file names another rate", (), (stated.quantity, repeated, frames)),)


def size(claim: Claim, seen: Seen) -> Held:
    """The largest frames that any clip has, and whether their pixels are native."""
    clips = [one for one in seen.captures if is_clip(one)]
    if not clips:
        return untested("no still clip")
    claimed = claim.value or 0.0

    def order(one: CaptureResult) -> tuple[float, bool]:
        width, height = (one.findings[key].quantity.value for key in ("width", "height"))
        return width * height / 1e6, "native_verdict" in one.findings

    one = max(clips, key=order)
    stored = Quantity(order(one)[0], "MP")
    width, height = (str(one.findings[key].value) for key in ("width", "height"))
    names = (one.capture.id, width, height)
    decision = decide(stored, claimed, claim)
    sampling = one.findings.get("native_verdict")
    word, kind, rule = decision.word, "clip", decision.rule
    if decision.word == "not met":
        pass
    elif sampling is None:
        word, kind, rule = "undecided", "clip of unknown pixels", ""
    elif sampling.value == "native":
        kind = "clip of native pixels"
    elif stored.value <= claimed * (1 + EQUAL_TO_ROUNDING):
        word, kind = "not met", "clip enlarged"
        rule = "not met: the claim counts as many pixels as are stored, and fewer are real"
    else:
        word, kind, rule = "undecided", "clip enlarged, by how much hidden", ""
    return Held(word, Statement(kind, names), rule, stored, "", one.capture.setting)


def recording(claim: Claim, seen: Seen) -> Held:
    """A clip that is long enough keeps the claim; a shorter one breaks it only where it was cut
    off, since otherwise its maker may have ended it."""
    lasting = [
        (one.findings["duration"].quantity, one)
        for one in seen.captures
        if is_clip(one) and "duration" in one.findings
    ]
    if not lasting:
        return untested("no long clip")
    value, one = max(lasting, key=lambda pair: pair[0].value)
    decision = decide(value, claim.value or 0.0, claim)
    cut_off = one.findings["truncated"].value is True
    if decision.word == "not met" and not cut_off:
        return untested("no clip long enough", one.capture.id, numbers=(value,))
    kind = "recording breaks off" if cut_off else "recording lasts"
    why = Statement(kind, (one.capture.id,), (value,))
    return by_decision(claim, decision, why, value, one.capture.setting)
