"""What a comparison is: reference objects, instruments with chains and settings, claims, captures.

These are the tables of `bench.toml`, and its contents after every check has passed. Nothing here is
measured; what was measured lives in `glassay.bench.keeping.results`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from glassay import units
from glassay.bench.document.claims import Claim, Sense
from glassay.bench.document.fields import Amiss, Checks, Inner, Reads, Row, Said, Table, config
from glassay.bench.document.instruments import (
    DEFAULT_SETTING,
    Amount,
    DisplayField,
    Instrument,
    InstrumentKind,
    Money,
    Price,
    Setting,
)
from glassay.bench.document.observations import Observation
from glassay.bench.document.teardown import TeardownPart
from glassay.bench.document.values import (
    Factor,
    Files,
    Id,
    Length,
    Name,
    Note,
    Number,
    OtherId,
    Share,
    Text,
    Texts,
    Truth,
    choice,
    field_of_view,
    length_mm,
    length_um,
    positive,
    some_text,
    whole,
)
from glassay.errors import Unusable
from glassay.optics.chain import Display

__all__ = [
    "DEFAULT_SETTING", "OBJECT_KINDS", "Bench", "Capture", "Certificate", "Claim", "Display",
    "Document", "Instrument", "InstrumentKind", "Money", "Need", "ObjectKind", "Observation", "Price",
    "ReferenceObject", "ReferenceView", "Sense", "Setting", "TeardownPart",
]  # fmt: skip

ObjectKind = Literal[
    "ruled scale", "grid", "edge", "bar target", "flat field", "repeat pair", "chip",
    "pixel array", "focus run", "relief", "chip in tiles", "picture",
]  # fmt: skip
OBJECT_KINDS: tuple[ObjectKind, ...] = get_args(ObjectKind)

DIVISIONS_AGREE = 0.01
"""Two statements of one division may differ by 1 %; certified slides differ from their engraving by
far less, and a slip of a digit or a unit by far more."""


def _expanded(value: float, before: Mapping[str, Any]) -> float:
    division = before.get("division_um")
    if division is not None and value > division / 10:
        raise Unusable(f"{value:g} um is no uncertainty of a {division:g} um division")
    return value


@dataclass(frozen=True, slots=True)
class Certificate(Table):
    """What a calibration certificate says of a scale: mean division, expanded uncertainty, k."""

    division_um: Annotated[
        float,
        Reads(length_um),
        Said("Certified division", "10.003 um", needed='the certified division, like "10.003 um"'),
    ]
    expanded_um: Annotated[
        float,
        Reads(length_um),
        Checks(_expanded),
        Said("Certified expanded uncertainty", "0.006 um",
             needed='the expanded uncertainty, like "0.006 um"'),
    ]  # fmt: skip
    k: Annotated[Number, Said("its k", "2")] = 2.0
    number: Annotated[Text, Said("Certificate number")] = ""


def _of_pixel_array(value: str, before: Mapping[str, Any]) -> str:
    if (kind := before.get("kind", "pixel array")) != "pixel array":
        raise Unusable(f'only an object of kind "pixel array" has it, not a {kind}')
    return value


def _engraved(before: Mapping[str, Any]) -> float | None:
    length, count = before.get("length_um"), before.get("divisions")
    return None if length is None or count is None else length / count


def _agreeing(name: str, value: float | None, others: Mapping[str, float | None]) -> None:
    """Raises `Unusable` where a statement of the division contradicts the first of the others."""
    known = [(other, found) for other, found in others.items() if found is not None]
    if value is not None and known and abs(value / known[0][1] - 1) > DIVISIONS_AGREE:
        first, division = known[0]
        raise Unusable(
            f"contradictory divisions: {first} says {division:g} um, {name} says {value:g} um"
        )


def _as_divided(count: int, before: Mapping[str, Any]) -> int:
    division = _engraved({**before, "divisions": count})
    _agreeing("length / divisions", division, {"division": before.get("division_um")})
    return count


def _as_certified(certificate: Certificate, before: Mapping[str, Any]) -> Certificate:
    stated = {"division": before.get("division_um"), "length / divisions": _engraved(before)}
    _agreeing("the certificate", certificate.division_um, stated)
    return certificate


@dataclass(frozen=True, slots=True)
class ReferenceObject(Table):
    """What a capture can show. `division_um` is known for the kinds that carry one."""

    form_name = "Reference object"

    id: Annotated[Id, Said("Id", "slide", needed='a short name, like "slide"')]
    kind: Annotated[
        ObjectKind,
        choice(*OBJECT_KINDS),
        Said("Kind", needed='a kind, like "ruled scale"'),
    ]
    name: Name = ""
    division_um: Annotated[Length, Said("Division", "10 um")] = None
    length_um: Length = None
    """Of all `divisions` together, as engraved; the division follows from it."""
    divisions: Annotated[int | None, Reads(whole), Checks(_as_divided)] = None
    tolerance: Annotated[Share | None, Said("Stated tolerance", "0.2 %")] = None
    """Stated relative tolerance (half-width) of the division, when there is no certificate."""
    certificate: Annotated[Certificate | None, Inner(Certificate), Checks(_as_certified)] = None
    sensor_of: Annotated[
        OtherId, Checks(_of_pixel_array), Said("Pixel array: the sensor of instrument", "its id")
    ] = None
    """Of a pixel array: the instrument whose image sensor it is, mostly not the one through which
    it is photographed."""
    mosaic: Annotated[
        Literal["auto", "colour", "none"],
        choice("auto", "colour", "none"),
        Checks(_of_pixel_array),
        Said("Pixel array: under a colour mosaic"),
    ] = "auto"
    """Of a pixel array: whether a colour mosaic lies over the pixels; "auto" lets photos tell."""
    note: Note = ""

    @classmethod
    def amiss(cls, row: Row) -> Iterator[Amiss]:
        kind = str(row.get("kind")).strip().lower()
        stated = {"division", "length", "divisions", "certificate"} & row.keys()
        if kind in ("ruled scale", "grid") and not stated:
            yield None, f'division is missing; a {kind} needs one, like "10 um"'
        if ("length" in row) != ("divisions" in row):
            yield None, "length and divisions only say something together"
        if "certificate" in row and "tolerance" in row:
            yield "tolerance", "a certificate is given too; keep one of the two"

    @property
    def stated_division_um(self) -> float | None:
        """The division by the first statement of it: itself, what is engraved, or the certificate."""
        if self.division_um is not None:
            return self.division_um
        if self.length_um is not None and self.divisions is not None:
            return self.length_um / self.divisions
        return None if self.certificate is None else self.certificate.division_um


def _box(value: object) -> tuple[int, int, int, int]:
    whole = isinstance(value, list) and all(type(part) is int for part in value)
    if not whole or not isinstance(value, list) or len(value) != 4:
        raise Unusable(f"{value!r} is not a region in px, like [x, y, width, height]")
    x, y, width, height = value
    if min(x, y) < 0 or min(width, height) < 1:
        raise Unusable(f"{value!r} is not a region: x and y from 0, width and height from 1")
    return x, y, width, height


@dataclass(frozen=True, slots=True)
class Capture(Table):
    """A photo, a clip or a set of them: one instrument, one setting, one reference object.

    `files` are relative to the bench folder, with forward slashes; the first one is the `id`
    unless another is given. Without a setting, it is the instrument's only one.
    """

    form_name = "Capture"

    id: Annotated[str, Reads(some_text)] = ""
    files: Annotated[Files, Said(needed='a path, like "captures/slide.jpg"', alone="file")] = ()
    instrument: Annotated[Id, Said("Instrument", "its id", needed="the id of an instrument")] = ""
    setting: Annotated[str, Reads(some_text), Said("Setting", "its id")] = ""
    object: Annotated[
        Id, Said("Reference object", "its id", needed="the id of a reference object")
    ] = ""
    box: Annotated[tuple[int, int, int, int] | None, Reads(_box)] = None
    pattern: Annotated[Literal["auto", "ruled", "grid"], choice("auto", "ruled", "grid")] = "auto"
    step_um: Annotated[Length, Said("Focus run: from picture to picture", "2 um")] = None
    """Way of focus from photo to photo (frame to frame) of a focus run."""
    by_stage: Annotated[Truth, Said("Focus run: steps made by a stage")] = False
    """Whether a stage with a scale or a motor made these steps, and not a hand."""
    note: Note = ""


def _contrast(value: object) -> float:
    found = units.parse_fraction(value)
    if not 0 < found < 1:
        raise Unusable(f"{value!r} is no contrast between 0 and 100 %")
    return found


def _rate(value: object) -> float:
    return positive(lambda one: units.parse(one, "frequency"))(value)


@dataclass(frozen=True, slots=True)
class Need(Table):
    """Something the user must be able to see or do: in words, and as conditions that all must hold.

    `detail_um` is the width of the finest line (half a period) that must be told at `contrast`
    (modulation; None: told apart at all) in a field of `field_um`, both in one setting. `power`
    holds words of which the instrument's power supply must have one.
    """

    form_name = "Need"

    id: Annotated[Id, Said("Id", "solder-joints", needed="a short name")]
    statement: Annotated[
        str,
        Reads(some_text, "long"),
        Said("What must be seen or done", needed="what must be seen or done, in words"),
    ]
    detail_um: Annotated[Length, Said("Finest detail", "2 um")] = None
    contrast: Annotated[float | None, Reads(_contrast), Said("at a contrast of", "20 %")] = None
    field_um: Annotated[
        tuple[float, float] | None, Reads(field_of_view), Said("Field width", "3 mm")
    ] = None
    clearance_um: Annotated[Length, Said("Free height", "60 mm")] = None
    rate_per_s: Annotated[
        float | None,
        Reads(_rate),
        Said("Frame rate", "15 fps"),
    ] = None
    budget: Annotated[Amount, Said("Budget", "200 EUR")] = None
    power: Annotated[Texts, Said("Power", kind="text")] = ()
    standalone: Annotated[Truth | None, Said("Without computer or phone")] = None
    must: Truth = False
    """Whether an instrument that fails it is out; the others are wishes."""
    note: Note = ""

    @classmethod
    def amiss(cls, row: Row) -> Iterator[Amiss]:
        if "contrast" in row and "detail" not in row:
            yield "contrast", 'it belongs to a detail; add detail = "2 um"'

    @property
    def is_judged(self) -> bool:
        """Whether anything but words is stated."""
        stated = (self.detail_um, self.field_um, self.clearance_um, self.rate_per_s, self.budget)
        return any(part is not None for part in (*stated, self.standalone)) or bool(self.power)


@dataclass(frozen=True, slots=True)
class ReferenceView(Table):
    """The eyepiece view behind the field-equivalent reading.

    By default a stated standard eyepiece (10x, field number 18 mm). With `instrument` (and
    `setting`), the measured field of that instrument's view at its stated magnification instead.
    """

    eyepiece: Annotated[Factor, Said("Compared with an eyepiece of", "10x")] = 10.0
    field_number_mm: Annotated[float, Reads(length_mm), Said("and field number", "18 mm")] = 18.0
    instrument: Annotated[OtherId, Said("or with the view of instrument", "its id")] = None
    setting: Annotated[OtherId, Said("in setting", "its id")] = None


@dataclass(frozen=True, slots=True)
class Head(Table):
    """What is said of the comparison itself."""

    form_name = "The bench"

    title: Annotated[Text, Said("Title")] = ""
    note: Note = ""
    display: DisplayField = None
    reference_view: Annotated[ReferenceView, Inner(ReferenceView)] = ReferenceView()


@dataclass(frozen=True, slots=True)
class Document(Table):
    """The whole of a `bench.toml`."""

    __pydantic_config__ = config(
        objects="object", instruments="instrument", needs="need", captures="capture"
    )

    bench: Annotated[Head, Inner(Head, own_form=True)] = Head()
    objects: Annotated[
        tuple[ReferenceObject, ...], Inner(ReferenceObject, many=True, own_form=True)
    ] = ()
    instruments: Annotated[tuple[Instrument, ...], Inner(Instrument, many=True, own_form=True)] = ()
    needs: Annotated[tuple[Need, ...], Inner(Need, many=True, own_form=True)] = ()
    captures: Annotated[tuple[Capture, ...], Inner(Capture, many=True, own_form=True)] = ()


@dataclass(frozen=True)
class Bench:
    """One comparison, checked. `folder` holds `bench.toml`, `captures/` and `results/`."""

    folder: Path
    title: str
    note: str = ""
    display: Display | None = None
    reference_view: ReferenceView = ReferenceView()
    objects: tuple[ReferenceObject, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    captures: tuple[Capture, ...] = ()
    needs: tuple[Need, ...] = field(default=())

    @property
    def results_folder(self) -> Path:
        """Where everything derived lives."""
        return self.folder / "results"

    def instrument(self, instrument_id: str) -> Instrument:
        """The instrument with this id. Raises `Unusable` when there is none."""
        for instrument in self.instruments:
            if instrument.id == instrument_id:
                return instrument
        raise Unusable(f"there is no instrument {instrument_id!r} in {self.folder / 'bench.toml'}")

    def object(self, object_id: str) -> ReferenceObject:
        """The reference object with this id. Raises `Unusable` when there is none."""
        for thing in self.objects:
            if thing.id == object_id:
                return thing
        raise Unusable(f"there is no reference object {object_id!r} in this bench")

    def paths(self, capture: Capture) -> tuple[Path, ...]:
        """The capture's files as paths."""
        return tuple(self.folder / name for name in capture.files)

    def shown_path(self, name: str) -> Path:
        """A file of the bench that is put before others, on a page or in a report.

        A bench that came from elsewhere may name one's own photos by links; those are not passed
        on. Raises `Unusable` for a link that leads out of the bench folder.
        """
        path = self.folder / name
        if not path.resolve().is_relative_to(self.folder.resolve()):
            raise Unusable(f"{name} is a link that leads out of the bench folder; it is not shown")
        return path
