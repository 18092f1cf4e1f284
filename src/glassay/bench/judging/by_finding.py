"""Claims of one number, held against the finding that their kind names."""

from __future__ import annotations

from collections.abc import Sequence

from glassay.bench.document.claims import CLAIM_KINDS
from glassay.bench.document.model import Claim, Instrument
from glassay.bench.judging.decide import decide
from glassay.bench.judging.ends import end_of, missing_end
from glassay.bench.judging.held import Held, Seen, by_decision, kindest, untested
from glassay.bench.keeping.results import NATIVE_PIXEL, CaptureResult, SettingResult, Statement
from glassay.quantity import Quantity


def hold(claim: Claim, seen: Seen) -> Held | None:
    """The finding that comes nearest to keeping the claim; None where none was made."""
    found = _candidates(CLAIM_KINDS[claim.kind].finding, seen.settings, seen.captures)
    if not found or claim.value is None:
        return None
    value, where = kindest(found, claim.sense, claim.value)
    decision = decide(value, claim.value, claim)
    if decision.word != "met" and (place := unseen_end(seen.instrument, claim, seen.settings)):
        return untested("end unseen", *place, where, numbers=(value,))
    why = Statement("in setting", (where,), (value,))
    return by_decision(
        claim, decision, why, value, where, _beside_native(claim, seen.settings, where)
    )


def unseen_end(
    instrument: Instrument, claim: Claim, settings: Sequence[SettingResult]
) -> tuple[str, str] | None:
    """Photo and place that show the end of the range that the claim is about; None when known."""
    end = end_of(claim)
    missing = None if end is None else missing_end(instrument, settings, end)
    if missing is None:
        return None
    through = any(one.setting.through_eyepiece for one in settings)
    return ("round field" if through else "scale"), missing.where


def _beside_native(
    claim: Claim, settings: Sequence[SettingResult], where: str
) -> tuple[Statement, ...]:
    """Where native pixels decide: that those of the enlarged files do not count."""
    if CLAIM_KINDS[claim.kind].finding != "pixel_size":
        return ()
    return tuple(
        Statement("native pixels count", (), (one.findings["pixel_size"].quantity,))
        for one in settings if one.setting.title == where and NATIVE_PIXEL in one.findings
    )  # fmt: skip


def _candidates(
    key: str, settings: Sequence[SettingResult], captures: Sequence[CaptureResult]
) -> list[tuple[Quantity, str]]:
    found: list[tuple[Quantity, str]] = []
    averaged: set[str] = set()
    for one in settings:
        name = key
        if one.setting.through_eyepiece:
            # The photo's own width and pixels are those of the phone; the round field is not.
            name = "field_diameter" if key in ("field_width", "field_diameter") else ""
        elif key == "pixel_size" and NATIVE_PIXEL in one.findings:
            name = NATIVE_PIXEL
        if name in one.findings:
            found.append((one.findings[name].quantity, one.setting.title))
        averaged |= set(one.findings)
    if key not in averaged and key not in ("field_width", "field_height", "pixel_size"):
        found += [
            (one.findings[key].quantity, one.capture.setting)
            for one in captures
            if key in one.findings
        ]
    return found
