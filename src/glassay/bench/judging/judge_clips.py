"""Claims that clips settle: frame rate, video size, recording time.

A clip proves less than it shows: it may be short because its maker ended it, small because a small
mode was chosen, and even because nothing in it moved. What it leaves open stays untested.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from glassay.bench.document.model import Claim, Instrument
from glassay.bench.document.observed import observed_values
from glassay.bench.judging.decide import decide
from glassay.bench.keeping.results import CaptureResult, VerdictWord
from glassay.bench.measuring.methods import medium_of
from glassay.bench.saying.words import say, say_time
from glassay.quantity import Quantity

ENOUGH_FRAMES = 30
"""A camera that repeats one frame in ten would show none among thirty in 4 % of cases."""


@dataclass(frozen=True)
class Held:
    """A claim held against clips: `sentence` says what they show, without the claim itself."""

    word: VerdictWord
    sentence: str
    rule: str = ""
    value: Quantity | None = None
    setting: str | None = None
    details: tuple[str, ...] = ()


def hold_against_clips(
    instrument: Instrument, claim: Claim, captures: Sequence[CaptureResult]
) -> Held | None:
    """What the instrument's clips say of a claim; None when they say nothing of such claims."""
    judge = _JUDGES.get(claim.kind)
    if judge is None:
        return None
    return judge(instrument, claim, captures)


def is_clip(one: CaptureResult) -> bool:
    """Whether the capture is a clip that was measured."""
    return medium_of(one.capture.files) == "clip" and "frames" in one.findings


def surest_rate(
    captures: Sequence[CaptureResult],
) -> tuple[Quantity, CaptureResult] | None:
    """The delivered rate that is highest for certain: a clip in doubt may only seem faster, and
    one of fewer than `ENOUGH_FRAMES` tells nothing."""
    rates = [
        (one.findings["delivered_rate"].quantity, one)
        for one in captures
        if "delivered_rate" in one.findings
        and ("frames" not in one.findings
             or one.findings["frames"].quantity.value >= ENOUGH_FRAMES)
    ]  # fmt: skip
    return max(rates, key=lambda pair: pair[0].interval[0], default=None)


def _rate(instrument: Instrument, claim: Claim, captures: Sequence[CaptureResult]) -> Held:
    noted = observed_values(instrument, claim.kind)
    found = surest_rate(captures)
    if found is None and not noted:
        return Held("untested", "it takes a clip with something moving in it,"
                    f" {ENOUGH_FRAMES} frames or longer")  # fmt: skip
    if found is None:
        value, where = max(noted, key=lambda pair: pair[0].value)
        decision = decide(value, claim.value or 0.0, claim)
        return Held(decision.word, f"it is {say(value)} a second, {where}", decision.rule, value)
    value, one = found
    decision = decide(value, claim.value or 0.0, claim)
    sentence = f"it delivers {say(value)} different pictures a second ({one.capture.id})"
    return Held(decision.word, sentence, decision.rule, value, one.capture.setting,
                _beside_the_rate(one))  # fmt: skip


def _beside_the_rate(one: CaptureResult) -> tuple[str, ...]:
    """What the file itself names, where that is another rate, and what is in doubt."""
    rate = one.findings["delivered_rate"]
    if "repeated_frames" not in one.findings:
        return ()
    repeated = one.findings["repeated_frames"].quantity
    if repeated.u:
        return (
            "Compression hides whether frames repeat; a clip of something that moves, with less"
            " compression, can tell.",
        )
    named = one.findings.get("nominal_rate")
    if (
        named is None
        or not repeated.value
        or abs(named.quantity.value - rate.quantity.value) <= rate.quantity.expanded
    ):
        return ()
    frames = one.findings["frames"].quantity.value
    return (
        f"The file names {say(named.quantity)} a second: {repeated.value:.0f} of its"
        f" {frames:.0f} frames only repeat the one before.",
    )


def _size(instrument: Instrument, claim: Claim, captures: Sequence[CaptureResult]) -> Held:
    clips = [one for one in captures if is_clip(one)]
    if not clips:
        return Held("untested", "it takes a clip of a still scene")
    claimed = claim.value or 0.0

    def size(one: CaptureResult) -> tuple[float, bool]:
        width, height = (one.findings[key].quantity.value for key in ("width", "height"))
        return width * height / 1e6, "native_verdict" in one.findings

    one = max(clips, key=size)
    stored = Quantity(size(one)[0], "MP")
    width, height = (one.findings[key].value for key in ("width", "height"))
    found = one.findings.get("native_verdict")
    here = f"its largest clip ({one.capture.id}) has {width} x {height} px"
    at = one.capture.setting
    decision = decide(stored, claimed, claim)
    if decision.word == "not met":
        return Held("not met", here, decision.rule, stored, at)
    if found is None:
        why = f"{here}, and nothing in it tells whether all of them are real"
        return Held("undecided", why, "", stored, at)
    if found.value == "native":
        return Held(decision.word, f"{here}, and none were made up by enlarging", decision.rule,
                    stored, at)  # fmt: skip
    why = f"{here}, but its frames are enlarged from fewer"
    if stored.value <= claimed * (1 + 1e-9):
        rule = "not met: the claim counts as many pixels as are stored, and fewer are real"
        return Held("not met", why, rule, stored, at)
    return Held("undecided", f"{why}; compression hides how many", "", stored, at)


def _recording(instrument: Instrument, claim: Claim, captures: Sequence[CaptureResult]) -> Held:
    """A clip that is long enough keeps the claim; a shorter one breaks it only where it was cut
    off, since otherwise its maker may have ended it."""
    noted = observed_values(instrument, claim.kind)
    lasting = [(one.findings["duration"].quantity, one) for one in captures
               if is_clip(one) and "duration" in one.findings]  # fmt: skip
    if noted:
        value, where = max(noted, key=lambda pair: pair[0].value)
        decision = decide(value, claim.value or 0.0, claim)
        return Held(decision.word, f"it is {say_time(value)}, {where}", decision.rule, value)
    wanted = "it takes a clip recorded until it stops"
    if not lasting:
        return Held("untested", wanted)
    value, one = max(lasting, key=lambda pair: pair[0].value)
    decision = decide(value, claim.value or 0.0, claim)
    where = one.capture.id
    if decision.word == "not met" and one.findings["truncated"].value is not True:
        return Held("untested", f"{wanted}; the longest here lasts {say_time(value)} ({where})")
    broke = "breaks off after" if one.findings["truncated"].value is True else "lasts"
    return Held(decision.word, f"the longest recording {broke} {say_time(value)} ({where})",
                decision.rule, value, one.capture.setting)  # fmt: skip


_JUDGES: Mapping[str, Callable[[Instrument, Claim, Sequence[CaptureResult]], Held]] = {
    "frame rate": _rate,
    "video size": _size,
    "recording time": _recording,
}
