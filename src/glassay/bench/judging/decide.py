"""The decision rule: when a finding is enough to call a claim met or not met."""

from __future__ import annotations

import re
from dataclasses import dataclass

from glassay.bench.document.model import Claim
from glassay.bench.keeping.results import VerdictWord
from glassay.bench.saying.words import short
from glassay.quantity import Quantity

RULE = (
    "JCGM 106:2012, guarded by the expanded uncertainty U: met when the value keeps the claim by"
    " U or more, not met when it misses the claim by more than U, otherwise undecided"
)

NAMED_RATE = 0.002
"""Relative tolerance of a frame rate as it is named: 30000/1001 a second is called 30 (SMPTE and
ITU-R practice, from memory), and no camera's clock is exact."""

EQUAL_TO_ROUNDING = 1e-9
"""Relative difference below which two numbers computed in floating point are the same."""


@dataclass(frozen=True, slots=True)
class Decision:
    """The word, and the rule as it was applied with its numbers."""

    word: VerdictWord
    rule: str


def decide(value: Quantity, claimed: float, claim: Claim) -> Decision:
    """Hold a value against `claimed` with the sense and tolerance of `claim`.

    A tolerance that the claim itself states widens what keeps it; the guard band is U on either
    side of that limit, so that "met" and "not met" are each wrong with at most 2.5 % probability.
    """
    tolerance, origin = _tolerance(claim)
    low, high = claimed * (1 - tolerance), claimed * (1 + tolerance)
    slack = EQUAL_TO_ROUNDING * abs(claimed)
    # The margin by which the claim is kept; negative when it is missed.
    margin = {
        "at least": value.value - low,
        "at most": high - value.value,
        "equal": min(value.value - low, high - value.value),
    }[claim.sense]
    guard = value.expanded
    word: VerdictWord = "undecided"
    if margin >= guard - slack:
        word = "met"
    elif margin < -guard - slack:
        word = "not met"
    return Decision(word, _rule(value, claimed, claim, origin))


def _tolerance(claim: Claim) -> tuple[float, str]:
    if claim.tolerance:
        return claim.tolerance, f" with its stated tolerance of {claim.tolerance:.2g}"
    if claim.kind == "frame rate":
        return NAMED_RATE, f" as rates are named, within {NAMED_RATE:.1%}"
    if claim.sense == "equal" and claim.value:
        half = half_last_digit(claim.text)
        if half is not None:
            return half, f" to the digits in which it is stated ({half:.1%})"
    return 0.0, ""


def half_last_digit(text: str) -> float | None:
    """Relative half of the last digit in which a number is written: 0.025 for "2.0 um"."""
    match = re.match(r"\s*(\d*)(?:\.(\d*))?", text)
    if match is None or not (match[1] or match[2]):
        return None
    number = float(f"{match[1] or 0}.{match[2] or 0}")
    return 0.5 * 10 ** -len(match[2] or "") / number if number else None


def _rule(value: Quantity, claimed: float, claim: Claim, origin: str) -> str:
    factor, unit = _unit_of_claim(claim, value.unit)
    spread = (
        f"U = {value.expanded * factor:.2g}{unit} (k = {value.k:.2f})" if value.u
        else "U = 0 (stated numbers)"
    )  # fmt: skip
    return (
        f"{RULE}. Claim: {claim.sense} {short(claimed * factor)}{unit}{origin};"
        f" value {short(value.value * factor)}{unit}, {spread}."
    )


def _unit_of_claim(claim: Claim, unit: str) -> tuple[float, str]:
    """The unit in which the seller states a length or a time, with the factor from `unit` to it."""
    if unit == "1":
        return 1.0, "x"
    written = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([^\d\s]+)\s*", claim.text)
    if unit not in ("um", "s") or written is None or not claim.value:
        return 1.0, f" {unit}"
    return float(written[1]) / claim.value, f" {written[2]}"
