"""The kinds of claims that sellers make: how each is written, and what it is held against."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

from glassay import units
from glassay.bench.document import values
from glassay.bench.document.fields import ITS_ID, Amiss, Reads, Row, Said, Table, choice
from glassay.errors import Unusable
from glassay.extensions import Records

Sense = Literal["at least", "at most", "equal"]
"""Which side of a claimed number keeps the promise."""

BY_FINDING = "glassay.bench.judging.by_finding:hold"
BY_NOTES = "glassay.bench.judging.by_notes:hold"


@dataclass(frozen=True, slots=True)
class ClaimKind:
    """One kind of claim: the whole of what there is to know about it.

    `read` turns the text into a number in `unit`. `finding` is the key of the setting's or capture's
    finding that settles it ("" where none does), `sense` which side of the number keeps the promise,
    `evidence` what has to be photographed or noted to settle it, `shot` that under its key in
    `glassay.bench.planning.shot_kinds`. `held_by` names ("module:function") what such a claim is held
    against, first things first: each takes the claim and `glassay.bench.judging.held.Seen` and
    returns a `Held`, or None where it has nothing to say. One of them may settle the claim as
    untested, with the reason.
    """

    name: str
    read: Callable[[object], float]
    unit: str
    sense: Sense
    finding: str
    evidence: str
    example: str
    shot: str
    held_by: tuple[str, ...] = (BY_FINDING, BY_NOTES)


def _kind(quantity: str) -> Callable[[object], float]:
    return values.positive(lambda value: units.parse(value, quantity))


_SLIDE = "a photo of a ruled scale in the setting the claim is about"
_DIE = "a photo of the sensor's own die"
_JUDGING = "glassay.bench.judging"
_ON_DIE = f"{_JUDGING}.by_die:hold"
_TOO_FEW = f"{_JUDGING}.by_die:refute"

_OWN = (
    ClaimKind(
        "magnification", units.parse_factor, "1", "at least", "", _SLIDE, "1600x", "scale",
        (f"{_JUDGING}.magnification:hold",),
    ),
    ClaimKind(
        "field width", _kind("length"), "um", "at least", "field_width", _SLIDE, "12 mm", "scale"
    ),
    ClaimKind(
        "field height", _kind("length"), "um", "at least", "field_height", _SLIDE, "8 mm", "scale"
    ),
    ClaimKind(
        "field diameter", _kind("length"), "um", "at least", "field_diameter",
        "a photo of a ruled scale through the eyepiece, with its whole round field", "20 mm",
        "round field",
    ),
    ClaimKind(
        "pixel size", _kind("pixel size"), "um/px", "at most", "pixel_size", _SLIDE, "0.7 um",
        "scale",
    ),
    ClaimKind(
        "smallest detail", _kind("length"), "um", "at most", "smallest_detail",
        "a photo of a sharp edge or a bar target", "2 um", "edge",
        (BY_FINDING, f"{_JUDGING}.by_lines:hold", BY_NOTES),
    ),
    ClaimKind(
        "resolution", _kind("resolution"), "1/mm", "at least", "finest_frequency",
        "a photo of a bar target", "200 lp/mm", "bars",
    ),
    ClaimKind(
        "photo pixels", units.parse_megapixels, "MP", "at least", "native_megapixels",
        "two photos of one still scene (a repeat pair)", "12 MP", "repeat",
        (_TOO_FEW, BY_FINDING, BY_NOTES, f"{_JUDGING}.by_pixels:hold_against_files",
         f"{_JUDGING}.by_pixels:why_not_native"),
    ),
    ClaimKind(
        "sensor pixels", units.parse_megapixels, "MP", "at least", "array_megapixels",
        "a photo of the sensor's own die, or a repeat pair", "8 MP", "die",
        (_ON_DIE, BY_FINDING, BY_NOTES, f"{_JUDGING}.by_pixels:native_but_no_sensor"),
    ),
    ClaimKind(
        "video size", units.parse_megapixels, "MP", "at least", "", "a clip of a still scene",
        "3840 x 2160", "still clip", (_TOO_FEW, f"{_JUDGING}.by_clips:size"),
    ),
    ClaimKind(
        "frame rate", _kind("frequency"), "1/s", "at least", "",
        "a clip with something moving in it", "30 fps", "clip", (f"{_JUDGING}.by_clips:rate",),
    ),
    ClaimKind(
        "sensor pixel pitch", _kind("length"), "um", "equal", "pitch_x", _DIE, "2.0 um", "die",
        (_ON_DIE, BY_FINDING, BY_NOTES),
    ),
    ClaimKind(
        "sensor width", _kind("length"), "um", "at least", "array_width", _DIE, "5.6 mm", "die",
        (_ON_DIE, BY_FINDING, BY_NOTES),
    ),
    ClaimKind(
        "working distance", _kind("length"), "um", "at least", "",
        "a note of the clearance, measured with a ruler", "90 mm", "ruler", (BY_NOTES,),
    ),
    ClaimKind(
        "battery time", _kind("time"), "s", "at least", "",
        "a note of the measured run time", "4 h", "battery", (BY_NOTES,),
    ),
    ClaimKind(
        "recording time", _kind("time"), "s", "at least", "",
        "a clip recorded until it stops", "2 h", "long clip",
        (BY_NOTES, f"{_JUDGING}.by_clips:recording"),
    ),
    ClaimKind(
        "screen diagonal", _kind("length"), "um", "at least", "",
        "a note of the screen's diagonal, measured with a ruler", "7 in", "ruler", (BY_NOTES,),
    ),
)  # fmt: skip

CLAIM_KINDS: Records[ClaimKind] = Records(
    "glassay.claim_kinds", ClaimKind, ((kind.name, kind) for kind in _OWN)
)
"""Every kind of claim that carries a number, by its name in `bench.toml`."""

OTHER = "other"
"""A claim in words; it is listed, and stays untested."""


def claim_kinds() -> tuple[str, ...]:
    """Every kind that a claim can have."""
    return (*CLAIM_KINDS, OTHER)


def read_claim_value(kind: ClaimKind, value: object) -> tuple[float | None, float]:
    """Low end (None unless "A to B" is claimed) and value of a claim. Raises `Unusable`.

    The unit is required: a claim without one ("1600") says nothing that can be judged.
    """
    if not isinstance(value, str):
        raise Unusable(
            f"{value!r} has no unit; expected a number with its unit in quotes,"
            f' like "{kind.example}"'
        )
    if kind.name == "magnification" and not value.strip().lower().endswith(("x", "×")):
        raise Unusable(f'{value!r} has no unit; expected a magnification, like "{kind.example}"')
    ends = units.split_range(value)
    if ends is None:
        return None, kind.read(value)
    low, high = ends
    if kind.name == "magnification" and not low.lower().endswith(("x", "×")):
        low += "x"
    first, last = kind.read(low), kind.read(high)
    if first >= last:
        raise Unusable(f"{value!r} does not run from a lower to a higher number")
    return first, last


def _expected(row: Row) -> str:
    kind = CLAIM_KINDS.get(str(row.get("kind", OTHER)))
    return f'a number with its unit, like "{kind.example}"' if kind else "what is claimed, in words"


@dataclass(frozen=True, slots=True)
class Claim(Table):
    """A number that a seller states. `value` is in `unit`; None for a claim in words.

    `text` is the value as written in `bench.toml`, `where` the place where the seller states it. A
    claimed range ("20x to 1600x") becomes two claims: its high end to be reached at least, its low
    end (id with "-low") at most.
    """

    form_name = "Claim"
    kind: Annotated[str, choice(claim_kinds), Said("Kind", needed='a kind, "magnification"')]
    text: Annotated[
        str, Reads(values.as_written), Said("Value", "1600x", needed=_expected, key="value")
    ]
    where: Annotated[values.Words, Said("Where it is stated", "box", needed="where it is stated")]
    quote: Annotated[values.Text, Said("In the seller's words")] = ""
    sense: Annotated[Sense, Said("Kept when")] = "at least"
    tolerance: Annotated[values.Share, Said("The claim's own tolerance", "5 %")] = 0.0
    """Relative."""
    digital_zoom: Annotated[values.Factor, Said("Digital zoom counted in", "4x")] = 1.0
    """The digital zoom that the seller counts in."""
    setting: Annotated[values.OtherId, Said("Only about setting", ITS_ID)] = None
    id: Annotated[values.Id, Said("Id")] = ""
    note: values.Note = ""
    value: float | None = None
    unit: str = ""

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
        if got.get("tolerance", 0.0) > 1:
            yield "tolerance", f"{got['tolerance']:.0%} is no tolerance of a claim"
        if "kind" not in got or "text" not in got:
            return
        try:
            if got["kind"] == OTHER:
                got["text"] = values.some_text(got["text"])
                return
            kind = CLAIM_KINDS[got["kind"]]
            got["value"] = read_claim_value(kind, got["text"])[1]
            got["unit"], got["sense"] = kind.unit, got.get("sense", kind.sense)
        except Unusable as error:
            yield "value", str(error)

    @property
    def is_low_end(self) -> bool:
        """Whether this is the low end of a claimed range."""
        if self.value is None or units.split_range(self.text) is None:
            return False
        return self.value == read_claim_value(CLAIM_KINDS[self.kind], self.text)[0]


def all_claims(rows: Sequence[Claim]) -> tuple[list[Claim], list[Amiss]]:
    """The claims of one instrument: each with an id (as given, or its kind and which of it it is), and
    the low ends of ranges as claims of their own. Beside them, the ids that stand twice."""
    counts: dict[str, int] = {}
    claims: list[Claim] = []
    twice: list[Amiss] = []
    for index, row in enumerate(rows):
        counts[row.kind] = counts.get(row.kind, 0) + 1
        claim = replace(row, id=row.id or f"{row.kind}-{counts[row.kind]}".replace(" ", "-"))
        if any(claim.id in (other.id, f"{other.id}-low") for other in claims):
            text = f"the claim {claim.id!r} stands already above"
            twice.append((("claim", index, "id"), text))
        claims.append(claim)
        low = read_claim_value(CLAIM_KINDS[claim.kind], claim.text)[0] if claim.unit else None
        if low is not None:
            low_end = replace(claim, id=f"{claim.id}-low", value=low, sense="at most")
            claims.append(replace(low_end, digital_zoom=1.0))
    return claims, twice
