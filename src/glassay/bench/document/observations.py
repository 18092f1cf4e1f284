"""Practical facts that no photo shows, as they are noted in `bench.toml`.

An observation with a kind is a fact of the comparison. Its kind is one of the claims' (then its
number is held against such claims) or one of `FACTS`. An observation that `settles` a claim decides
it by yes or no, which is how claims in words come to a verdict.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

from glassay import units
from glassay.bench.document.claims import CLAIM_KINDS
from glassay.bench.document.fields import Amiss, Checks, Derived, Misplaced, Reads, Row, Said, Table
from glassay.bench.document.mistakes import suggestion
from glassay.bench.document.values import (
    Day,
    Note,
    OtherId,
    Text,
    Truth,
    as_written,
    choice_among,
    duration,
    some_text,
    text,
)
from glassay.errors import Unusable


@dataclass(frozen=True, slots=True)
class FactKind:
    """A practical fact: its name in `bench.toml`, how its value is written, and an example."""

    name: str
    form: str
    """ "yes or no", "pixels" or "words"."""
    example: str


FACTS = {
    fact.name: fact
    for fact in (
        FactKind("lights can be switched off", "yes or no", "yes"),
        FactKind("digital zoom is saved", "yes or no", "no"),
        FactKind("saved picture", "pixels", "3840 x 2160"),
        FactKind("screen picture", "pixels", "1024 x 600"),
        FactKind("storage", "words", "a card of 32 GB, bought separately"),
        FactKind("failure", "words", "the phone app lost the picture"),
    )
}
"""Kinds of observations that are not kinds of claims too."""


def observable() -> tuple[str, ...]:
    """Every kind that an observation can have."""
    return tuple(sorted({name for name in CLAIM_KINDS if name != "magnification"} | set(FACTS)))


def _yes_or_no(value: object) -> bool:
    known = {"yes": True, "no": False}
    if not isinstance(value, str) or value.strip().lower() not in known:
        raise Unusable(f'{value!r} is neither "yes" nor "no"')
    return known[value.strip().lower()]


def _reader(kind: str) -> Callable[[object], Any]:
    """How the value of an observation of this kind is read."""
    fact, claim_kind = FACTS.get(kind), CLAIM_KINDS.get(kind)
    if claim_kind is not None:
        return duration if claim_kind.unit == "s" else claim_kind.read
    forms = {"yes or no": _yes_or_no, "pixels": units.parse_megapixels}
    return forms.get(fact.form, text) if fact is not None else text


def _noted(value: object, before: Mapping[str, Any]) -> str:
    """The value as written, when it says something of its kind."""
    _reader(before.get("kind", ""))(value)
    return text(value) if isinstance(value, str) else str(value)


def _within(value: object, before: Mapping[str, Any]) -> float:
    if before.get("kind") not in CLAIM_KINDS:
        raise Unusable("only a number may be off: it needs a kind that is one of the claims'")
    return float(_reader(before["kind"])(value))


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

    what: Annotated[str, Reads(some_text), Said("What was seen", "the light cannot be dimmed")] = ""
    kind: Annotated[str, choice_among(observable), Said("Makes it a fact of the comparison")] = ""
    value: Annotated[str, Reads(as_written), Checks(_noted), Said("Value")] = ""
    within: Annotated[float, Reads(as_written), Checks(_within), Said("May be off by", "5 min")] = (
        0.0
    )
    date: Day = ""
    at: Annotated[Text, Said("When in use it happened", "after 12 min")] = ""
    """For failures."""
    settles: Annotated[OtherId, Said("Decides the claim", "its id")] = None
    holds: Annotated[Truth | None, Said("and that claim is kept")] = None
    note: Note = ""
    number: Annotated[float | None, Derived()] = None
    unit: Annotated[str, Derived()] = ""

    @classmethod
    def amiss(cls, row: Row) -> Iterator[Amiss]:
        kind = str(row.get("kind", "")).strip().lower()
        if "what" not in row and "kind" not in row:
            yield None, "what is missing; expected what was seen, in words"
        if "value" not in row and kind in CLAIM_KINDS:
            example = CLAIM_KINDS[kind].example
            yield None, f'value is missing; expected a number with its unit, like "{example}"'
        if "value" not in row and kind in FACTS and FACTS[kind].form != "words":
            pixels = FACTS[kind].form == "pixels"
            expected = f'pixels, like "{FACTS[kind].example}"' if pixels else '"yes" or "no"'
            yield None, f"value is missing; expected {expected}"
        if "settles" in row and "holds" not in row:
            yield None, "holds is missing; expected true or false: does the claim hold?"
        if "settles" not in row and "holds" in row:
            yield "holds", "it says whether a claim holds; add settles = the claim's id"


def settled_observations(
    observations: Sequence[Observation], before: Mapping[str, Any]
) -> tuple[Observation, ...]:
    """The observations of one instrument with their numbers. Raises `Misplaced` for those that settle
    a claim which is not there."""
    claims = [claim.id for claim in before["claims"]] if "claims" in before else None
    unknown = [
        (
            (index, "settles"),
            f"there is no claim {one.settles!r}; {suggestion(one.settles, claims)}",
        )
        for index, one in enumerate(observations)
        if claims is not None and one.settles is not None and one.settles not in claims
    ]
    if unknown:
        raise Misplaced(*unknown)
    return tuple(_with_number(one) for one in observations)


def _with_number(seen: Observation) -> Observation:
    """The observation with what its value says: a number, or yes or no."""
    seen = replace(seen, what=seen.what or seen.kind)
    if not seen.value:
        return seen
    fact, claim_kind = FACTS.get(seen.kind), CLAIM_KINDS.get(seen.kind)
    if claim_kind is not None:
        number = _reader(seen.kind)(seen.value)
        within = seen.within or number * (units.half_last_digit(seen.value) or 0.0)
        if claim_kind.unit == "s":
            within = seen.within or _last_part_s(seen.value)
        return replace(seen, number=number, unit=claim_kind.unit, within=within)
    if fact is not None and fact.form == "pixels":
        return replace(seen, number=_reader(seen.kind)(seen.value), unit="MP")
    if fact is not None and fact.form == "yes or no" and seen.settles is None:
        return replace(seen, holds=_yes_or_no(seen.value))
    return seen
