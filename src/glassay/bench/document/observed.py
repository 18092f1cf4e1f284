"""Practical facts that no photo shows: read from `bench.toml`, held against claims, tabled.

An observation with a kind is a fact of the comparison. Its kind is one of the claims' (then its
number is held against such claims) or one of `FACTS`. An observation that `settles` a claim decides
it by yes or no, which is how claims in words come to a verdict.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from glassay import units
from glassay.bench.document import table_reader as reader
from glassay.bench.document.claims import CLAIM_KINDS
from glassay.bench.document.model import Claim, Instrument, Observation
from glassay.bench.document.table_reader import Table, suggestion
from glassay.errors import Unusable
from glassay.quantity import Quantity


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


def read_observations(tables: Sequence[Table], claims: Sequence[str]) -> tuple[Observation, ...]:
    """The observations of one instrument, whose claims have these ids."""
    found = [_read(table, claims) for table in tables]
    return tuple(one for one in found if one is not None)


def _read(table: Table, claims: Sequence[str]) -> Observation | None:
    kind = table.maybe("kind", reader.choice(observable())) or ""
    if kind or table.has("kind"):
        what = table.take("what", reader.some_text, kind)
    else:
        what = table.need("what", reader.some_text, "what was seen, in words") or ""
    number, unit, holds, within = _read_value(table, kind)
    settles = table.maybe("settles", reader.identifier)
    if settles is not None and settles not in claims:
        table.wrong("settles", f"there is no claim {settles!r}; {suggestion(settles, claims)}")
    stated = table.maybe("holds", reader.truth)
    if settles is not None and stated is None and not table.has("holds"):
        table.wrong(None, "holds is missing; expected true or false: does the claim hold?")
    if settles is None and table.has("holds"):
        table.wrong("holds", "it says whether a claim holds; add settles = the claim's id")
    seen = Observation(
        what, table.take("value", reader.text, ""), table.take("date", reader.day, ""),
        table.take("note", reader.text, ""), table.line(), kind, number, unit, within,
        stated if settles is not None else holds, settles, table.take("at", reader.text, ""),
    )  # fmt: skip
    table.finish()
    return seen if what else None


def _read_value(table: Table, kind: str) -> tuple[float | None, str, bool | None, float]:
    """Number, unit, yes or no, and half-width of what the number may be off by."""
    fact, claim_kind = FACTS.get(kind), CLAIM_KINDS.get(kind)
    if claim_kind is not None:
        read = parse_duration if claim_kind.unit == "s" else claim_kind.read
        what = f'a number with its unit, like "{claim_kind.example}"'
        number = table.need("value", read, what)
        within = table.maybe("within", read)
        if within is None and number is not None:
            within = number * (units.half_last_digit(table.raw("value")) or 0.0)
            if claim_kind.unit == "s":
                within = _last_part_s(table.raw("value"))
        return number, claim_kind.unit, None, within or 0.0
    if fact is None or fact.form == "words":
        return None, "", None, 0.0
    if fact.form == "pixels":
        size = table.need("value", units.parse_megapixels, f'pixels, like "{fact.example}"')
        return size, "MP", None, 0.0
    return None, "", table.need("value", _yes_or_no, '"yes" or "no"'), 0.0


def _yes_or_no(value: object) -> bool:
    known = {"yes": True, "no": False}
    if not isinstance(value, str) or value.strip().lower() not in known:
        raise Unusable(f'{value!r} is neither "yes" nor "no"')
    return known[value.strip().lower()]


def parse_duration(value: object) -> float:
    """A time "4 h" or "4 h 20 min" above 0, in seconds. Raises `Unusable`."""
    parts = re.findall(r"[\d.]+\s*[A-Za-z]+", value) if isinstance(value, str) else []
    if len(parts) < 2 or re.sub(r"[\d.]+\s*[A-Za-z]+|\s", "", str(value)):
        return reader.positive(lambda text: units.parse(text, "time"))(value)
    return reader.positive(lambda text: sum(units.parse(part, "time") for part in parts))(value)


def _last_part_s(text: str) -> float:
    """Half of the last digit of the smallest unit in which a time is written: 30 s of "4 h 20 min"."""
    last = re.findall(r"[\d.]+\s*[A-Za-z]+", text)[-1]
    decimals = len(match[1]) if (match := re.match(r"\d*\.(\d+)", last)) else 0
    unit = re.sub(r"^[\d.\s]+", "", last)
    return 0.5 * 10.0**-decimals * units.parse(f"1 {unit}", "time")


# ---- against claims ------------------------------------------------------------------------------

NOTED_RULE = "decided by what was observed, yes or no; no number and no uncertainty"


def observed_values(instrument: Instrument, kind: str) -> list[tuple[Quantity, str]]:
    """Every noted number of this kind of claim, and where it was noted.

    What it may be off by (`within`, or half its last digit) is the half-width of a rectangular
    distribution (JCGM 100:2008, 4.3.7).
    """
    found = []
    for one in instrument.observations:
        if one.kind == kind and one.number is not None and one.settles is None:
            u = one.within / math.sqrt(3)
            value = Quantity.of(one.number, u, one.unit, "reading of what was noted")
            found.append((value, f"noted {one.date}".strip()))
    if kind == "working distance" and instrument.clearance_um is not None:
        found.append((Quantity(instrument.clearance_um, "um"), "noted as clearance"))
    return found


def settling(instrument: Instrument, claim: Claim) -> Observation | None:
    """The latest observation that decides this claim by yes or no."""
    deciding = [
        one for one in instrument.observations if one.settles == claim.id and one.holds is not None
    ]
    return max(deciding, key=lambda one: one.date, default=None)


def fact(instrument: Instrument, kind: str) -> Observation | None:
    """The latest observation of a kind."""
    seen = [one for one in instrument.observations if one.kind == kind]
    return max(seen, key=lambda one: one.date, default=None)
