"""Practical facts that no photo shows, as they are noted in `bench.toml`.

An observation with a kind is a fact of the comparison. Its kind is one of the claims' (then its
number is held against such claims) or one of `FACTS`. An observation that `settles` a claim decides
it by yes or no, which is how claims in words come to a verdict.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Annotated, Any, NamedTuple

from glassay import units
from glassay.bench.document import values
from glassay.bench.document.claims import CLAIM_KINDS
from glassay.bench.document.fields import ITS_ID, Amiss, Reads, Row, Said, Table, choice
from glassay.errors import Unusable


class Reading(NamedTuple):
    """How the value of an observation is read, what is expected of it ("" of words, which may be left
    out), and the unit of a number."""

    read: Callable[[object], Any]
    expected: str = ""
    unit: str = ""


def _yes_or_no(value: object) -> bool:
    known = {"yes": True, "no": False}
    if not isinstance(value, str) or value.strip().lower() not in known:
        raise Unusable(f'{value!r} is neither "yes" nor "no"')
    return known[value.strip().lower()]


_WORDS = Reading(values.text)
_ANSWER = Reading(_yes_or_no, '"yes" or "no"')

FACTS = {
    "lights can be switched off": _ANSWER,
    "digital zoom is saved": _ANSWER,
    "saved picture": Reading(units.parse_megapixels, 'pixels, like "3840 x 2160"', "MP"),
    "screen picture": Reading(units.parse_megapixels, 'pixels, like "1024 x 600"', "MP"),
    "storage": _WORDS,
    "failure": _WORDS,
}
"""Kinds of observations that are not kinds of claims too."""


def observable() -> tuple[str, ...]:
    """Every kind that an observation can have."""
    return tuple(sorted({name for name in CLAIM_KINDS if name != "magnification"} | set(FACTS)))


def _last_part_s(text: str) -> float:
    """Half of the last digit of the smallest unit in which a time is written: 30 s of "4 h 20 min"."""
    last = re.findall(r"[\d.]+\s*[A-Za-z]+", text)[-1]
    decimals = len(match[1]) if (match := re.match(r"\d*\.(\d+)", last)) else 0
    unit = re.sub(r"^[\d.\s]+", "", last)
    return 0.5 * 10.0**-decimals * units.parse(f"1 {unit}", "time")


@dataclass(frozen=True, slots=True)
class Observation(Table):
    """Something seen in use that no photo shows.

    With a `kind` it is a fact of the comparison: `number` in `unit`, good to `within` (half-width of
    what it may be off by), or `holds` for yes or no. `settles` names the claim that it decides, in
    which case `holds` says how.
    """

    form_name = "Observation"

    what: Annotated[values.Words, Said("What was seen", "the light cannot be dimmed")] = ""
    kind: Annotated[str, choice(observable), Said("Makes it a fact of the comparison")] = ""
    value: Annotated[str, Reads(values.as_written), Said("Value")] = ""
    within: Annotated[float, Reads(values.as_written), Said("May be off by", "5 min")] = 0.0
    date: values.Day = ""
    at: Annotated[values.Text, Said("When in use it happened", "after 12 min")] = ""
    """For failures."""
    settles: Annotated[values.OtherId, Said("Decides the claim", ITS_ID)] = None
    holds: Annotated[values.Truth | None, Said("and that claim is kept")] = None
    note: values.Note = ""
    number: float | None = None
    unit: str = ""

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
        kind = got.get("kind", "")
        got.setdefault("what", kind)
        if "what" not in row and "kind" not in row:
            yield None, "what is missing; expected what was seen, in words"
        if "settles" in row and "holds" not in row:
            yield None, "holds is missing; expected true or false: does the claim hold?"
        if "settles" not in row and "holds" in row:
            yield "holds", "it says whether a claim holds; add settles = the claim's id"
        yield from _settle_value(got, row, kind)


def _reading(kind: str) -> Reading:
    if (claimed := CLAIM_KINDS.get(kind)) is None:
        return FACTS.get(kind, _WORDS)
    read = values.duration if claimed.unit == "s" else claimed.read
    return Reading(read, f'a number with its unit, like "{claimed.example}"', claimed.unit)


def _settle_value(got: dict[str, Any], row: Row, kind: str) -> Iterator[Amiss]:
    """What the value says: a number, or yes or no."""
    read, expected, unit = _reading(kind)
    if expected and "value" not in row:
        yield None, f"value is missing; expected {expected}"
    if "within" in got and kind not in CLAIM_KINDS:
        yield "within", "only a number may be off; it needs a kind that is one of the claims'"
    told = {}
    for key in {"value", "within"} & got.keys():
        try:
            told[key] = read(got[key])
        except Unusable as error:
            yield key, str(error)
    if "value" not in told:
        return
    got["value"] = str(got["value"]).strip()
    if read is _yes_or_no and "settles" not in row:
        got["holds"] = told["value"]
    if unit:
        got |= {"number": told["value"], "unit": unit}
    if kind in CLAIM_KINDS and "within" not in got:
        share = units.half_last_digit(got["value"]) or 0.0
        got["within"] = _last_part_s(got["value"]) if unit == "s" else told["value"] * share
    elif "within" in told:
        got["within"] = told["within"]
