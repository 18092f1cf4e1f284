"""The decision rule: when a finding is enough to call a claim met or not met."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from glassay import units
from glassay.bench.document.model import Claim
from glassay.bench.keeping.results import VerdictWord
from glassay.bench.saying.words import short
from glassay.quantity import Quantity

RULE = (
    "JCGM 106:2012, guarded by the expanded uncertainty U: met when the value keeps the claim by"
    " U or more, not met when it misses the claim by more than U, otherwise undecided; a printed"
    " figure stands for every value that rounds to it"
)

NAMED_RATE = 0.002
"""Relative tolerance of a frame rate as it is asked for in a need: 30000/1001 a second is called 30
(SMPTE and ITU-R practice, from memory), and no camera's clock is exact."""

EQUAL_TO_ROUNDING = 1e-9
"""Relative difference below which two numbers computed in floating point are the same."""


@dataclass(frozen=True, slots=True)
class Decision:
    """The word, and the rule as it was applied with its numbers.

    `by_digits` is the printed interval in words where it decides: the figure as an exact number
    would be judged otherwise. "" where it changes nothing.
    """

    word: VerdictWord
    rule: str
    by_digits: str = ""


@dataclass(frozen=True, slots=True)
class Allowed:
    """The values for which a claim stands, and why they are more than one; `printed` where it is
    by the digits of the figure."""

    low: float
    high: float
    why: str = ""
    printed: bool = False


def guarded(value: Quantity, low: float, high: float) -> VerdictWord:
    """The one decision rule: a value against limits (infinite where there is none).

    "met" when it lies within them by its U or more, "not met" when it lies outside by more than U,
    so that each is wrong with at most 2.5 % probability (JCGM 106:2012, 8.3, guard band of U).
    """
    margin = min(value.value - low, high - value.value)
    limits = [abs(limit) for limit in (low, high) if math.isfinite(limit)]
    slack = EQUAL_TO_ROUNDING * max(limits, default=0.0)
    if margin >= value.expanded - slack:
        return "met"
    return "not met" if margin < -value.expanded - slack else "undecided"


def decide(value: Quantity, claimed: float, claim: Claim) -> Decision:
    """Hold a value against `claimed` with the sense and tolerance of `claim`.

    A printed figure stands for every value that rounds to it, and is met when one of them is: the
    limit is the far end of that interval. A tolerance that the claim itself states takes its place.
    """
    allowed = allowed_by(claim, claimed)
    word = _within(value, claim, allowed.low, allowed.high)
    rule = _rule(value, claimed, claim, allowed)
    exact = _within(value, claim, claimed, claimed)
    by_digits = _interval(value, claim, allowed) if allowed.printed and word != exact else ""
    return Decision(word, rule, by_digits)


def _within(value: Quantity, claim: Claim, low: float, high: float) -> VerdictWord:
    return guarded(
        value,
        -math.inf if claim.sense == "at most" else low,
        math.inf if claim.sense == "at least" else high,
    )


def allowed_by(claim: Claim, claimed: float) -> Allowed:
    """The interval for which `claimed`, a number of this claim, stands."""
    if claim.tolerance:
        why = f" with its stated tolerance of {claim.tolerance:.2g}"
        return Allowed(claimed * (1 - claim.tolerance), claimed * (1 + claim.tolerance), why)
    half = units.half_last_digit(figure_of(claim))
    if half is None or claim.value is None:
        return Allowed(claimed, claimed)
    return Allowed(claimed * (1 - half), claimed * (1 + half), printed=True)


def figure_of(claim: Claim) -> str:
    """The claimed figure as printed: of a range, the end that this claim is about."""
    ends = units.split_range(claim.text)
    if ends is None:
        return claim.text
    return ends[0] if claim.is_low_end else ends[1]


def _rule(value: Quantity, claimed: float, claim: Claim, allowed: Allowed) -> str:
    factor, unit = _unit_of_claim(claim, value.unit)
    spread = (
        f"U = {value.expanded * factor:.2g}{unit} (k = {value.k:.2f})" if value.u
        else "U = 0 (stated numbers)"
    )  # fmt: skip
    origin = allowed.why
    if allowed.printed:
        origin = f", as printed {_interval(value, claim, allowed)}"
    return (
        f"{RULE}. Claim: {claim.sense} {short(claimed * factor)}{unit}{origin};"
        f" value {short(value.value * factor)}{unit}, {spread}."
    )


def _interval(value: Quantity, claim: Claim, allowed: Allowed) -> str:
    factor, unit = _unit_of_claim(claim, value.unit)
    low, high = (f"{float(f'{end * factor:.7g}'):g}" for end in (allowed.low, allowed.high))
    return f"{low}{unit} to {high}{unit}"


def _unit_of_claim(claim: Claim, unit: str) -> tuple[float, str]:
    """The unit in which the seller states a length or a time, with the factor from `unit` to it."""
    if unit == "1":
        return 1.0, "x"
    written = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([^\d\s]+)\s*", figure_of(claim))
    if unit not in ("um", "s") or written is None or not claim.value:
        return 1.0, f" {unit}"
    return float(written[1]) / claim.value, f" {written[2]}"
