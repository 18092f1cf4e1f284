"""What a comparison is: reference objects, instruments with chains and settings, claims, captures.

These are the tables of `bench.toml`, and its contents after every check has passed. Nothing here is
measured; what was measured lives in `glassay.bench.keeping.results`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from glassay import units
from glassay.bench.document import values
from glassay.bench.document.claims import Claim, Sense
from glassay.bench.document.fields import ITS_ID, Amiss, Reads, Row, Said, Table
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

MOST_TOLERANCE = 0.5
"""Half of a division: lines that may stand off by more than that could be their neighbours."""
DIVISIONS_AGREE = 0.01
"""Two statements of one division may differ by 1 %; certified slides differ from their engraving by
far less, and a slip of a digit or a unit by far more."""


@dataclass(frozen=True, slots=True)
class Certificate(Table):
    """What a calibration certificate says of a scale: mean division, expanded uncertainty, k."""

    division_um: Annotated[
        values.SomeLength, Said("Certified division", "10.003 um", needed="the certified division")
    ]
    expanded_um: Annotated[
        values.SomeLength,
        Said("Certified expanded uncertainty", "0.006 um", needed="the expanded uncertainty"),
    ]
    k: Annotated[values.Number, Said("its k", "2")] = 2.0
    number: Annotated[values.Text, Said("Certificate number")] = ""

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
        division, expanded = got.get("division_um"), got.get("expanded_um")
        if division is not None and expanded is not None and expanded > division / 10:
            text = f"{expanded:g} um is no uncertainty of a {division:g} um division"
            yield "expanded", text


@dataclass(frozen=True, slots=True)
class ReferenceObject(Table):
    """What a capture can show. `division_um` is known for the kinds that carry one."""

    form_name = "Reference object"

    id: Annotated[values.Id, Said("Id", "slide", needed="a short name")]
    kind: Annotated[ObjectKind, Said("Kind", needed='a kind, like "ruled scale"')]
    name: values.Name = ""
    division_um: Annotated[values.Length, Said("Division", "10 um")] = None
    length_um: values.Length = None
    """Of all `divisions` together, as engraved; the division follows from it."""
    divisions: Annotated[int | None, Reads(values.whole)] = None
    tolerance: Annotated[values.Share | None, Said("Stated tolerance", "0.2 %")] = None
    """Stated relative tolerance (half-width) of the division, when there is no certificate."""
    certificate: Certificate | None = None
    sensor_of: Annotated[values.OtherId, Said("Pixel array: the sensor of instrument", ITS_ID)] = (
        None
    )
    """Of a pixel array: the instrument whose image sensor it is, mostly not the one through which
    it is photographed."""
    mosaic: Annotated[
        Literal["auto", "colour", "none"], Said("Pixel array: under a colour mosaic")
    ] = "auto"
    """Of a pixel array: whether a colour mosaic lies over the pixels; "auto" lets photos tell."""
    note: values.Note = ""

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
        kind = got.get("kind")
        yield from _settle_division(got, row)
        if kind in ("ruled scale", "grid") and "division_um" not in got and "division" not in row:
            yield None, f'division is missing; a {kind} needs one, like "10 um"'
        if got.get("tolerance", 0.0) > MOST_TOLERANCE:
            yield "tolerance", f"{got['tolerance']:.0%} is no tolerance of a division"
        if "certificate" in row and "tolerance" in row:
            yield "tolerance", "a certificate is given too; keep one of the two"
        for key in ("sensor_of", "mosaic"):
            if key in got and kind not in ("pixel array", None):
                yield key, f'only an object of kind "pixel array" has it, not a {kind}'


def _settle_division(got: dict[str, Any], row: Row) -> Iterator[Amiss]:
    """The division is the first statement of it, with which all others must agree."""
    stated = [("division", "division", got.get("division_um"))]
    length, count = got.get("length_um"), got.get("divisions")
    if ("length" in row) != ("divisions" in row):
        yield None, "length and divisions only say something together"
    elif length is not None and count is not None:
        stated.append(("divisions", "length / divisions", length / count))
    if (certificate := got.get("certificate")) is not None:
        stated.append(("certificate", "the certificate", certificate.division_um))
    known = [(key, name, value) for key, name, value in stated if value is not None]
    for key, name, value in known[1:]:
        _, first, division = known[0]
        if abs(value / division - 1) > DIVISIONS_AGREE:
            said = f"{first} says {division:g} um, {name} says {value:g} um"
            yield key, f"contradictory divisions: {said}"
    if known:
        got["division_um"] = known[0][2]


def _box(value: object) -> tuple[int, int, int, int]:
    whole = isinstance(value, list) and all(type(part) is int for part in value)
    if not whole or not isinstance(value, list) or len(value) != 4:
        raise Unusable(f"{value!r} is not a region in px, like [x, y, width, height]")
    x, y, width, height = value
    if min(x, y) < 0 or min(width, height) < 1:
        raise Unusable(f"{value!r} is not a region: x and y from 0, width and height from 1")
    return x, y, width, height


def _group(value: object) -> int:
    if type(value) is not int or not -2 <= value <= 9:
        raise Unusable(f"{value!r} is not a group of a bar target, from -2 to 9 (without quotes)")
    return value


@dataclass(frozen=True, slots=True)
class Capture(Table):
    """A photo, a clip or a set of them: one instrument, one setting, one reference object.

    `files` are relative to the bench folder, with forward slashes; the first one is the `id`
    unless another is given. Without a setting, it is the instrument's only one.
    """

    form_name = "Capture"

    id: values.Words = ""
    files: Annotated[
        values.Files, Said("", "captures/slide.jpg", needed="a path", alone="file")
    ] = ()
    instrument: Annotated[
        values.Id, Said("Instrument", ITS_ID, needed="the id of an instrument")
    ] = ""
    setting: Annotated[values.Words, Said("Setting", ITS_ID)] = ""
    object: Annotated[
        values.Id, Said("Reference object", ITS_ID, needed="the id of a reference object")
    ] = ""
    box: Annotated[tuple[int, int, int, int] | None, Reads(_box)] = None
    pattern: Literal["auto", "ruled", "grid"] = "auto"
    step_um: Annotated[values.Length, Said("Focus run: from picture to picture", "2 um")] = None
    """Way of focus from photo to photo (frame to frame) of a focus run."""
    by_stage: Annotated[values.Truth, Said("Focus run: steps made by a stage")] = False
    """Whether a stage with a scale or a motor made these steps, and not a hand."""
    largest_group: Annotated[
        int | None, Reads(_group), Said("Bar target: group of its largest element in view", "4")
    ] = None
    """Group number of the largest element of a bar target in view, where its numerals are not."""
    note: values.Note = ""


def _contrast(value: object) -> float:
    found = units.parse_fraction(value)
    if not 0 < found < 1:
        raise Unusable(f"{value!r} is no contrast between 0 and 100 %")
    return found


def _rate(value: object) -> float:
    return values.positive(lambda one: units.parse(one, "frequency"))(value)


@dataclass(frozen=True, slots=True)
class Need(Table):
    """Something the user must be able to see or do: in words, and as conditions that all must hold.

    `detail_um` is the width of the finest line (half a period) that must be told at `contrast`
    (modulation; None: told apart at all) in a field of `field_um`, both in one setting. `power`
    holds words of which the instrument's power supply must have one.
    """

    form_name = "Need"

    id: Annotated[values.Id, Said("Id", "solder-joints", needed="a short name")]
    statement: Annotated[
        str,
        Reads(values.some_text, "long"),
        Said("What must be seen or done", needed="what must be seen or done, in words"),
    ]
    detail_um: Annotated[values.Length, Said("Finest detail", "2 um")] = None
    contrast: Annotated[float | None, Reads(_contrast), Said("at a contrast of", "20 %")] = None
    field_um: Annotated[
        tuple[float, float] | None, Reads(values.field_of_view), Said("Field width", "3 mm")
    ] = None
    clearance_um: Annotated[values.Length, Said("Free height", "60 mm")] = None
    rate_per_s: Annotated[float | None, Reads(_rate), Said("Frame rate", "15 fps")] = None
    budget: Annotated[Amount, Said("Budget", "200 EUR")] = None
    power: Annotated[tuple[str, ...], Reads(values.texts), Said("Power")] = ()
    standalone: Annotated[values.Truth | None, Said("Without computer or phone")] = None
    must: values.Truth = False
    """Whether an instrument that fails it is out; the others are wishes."""
    note: values.Note = ""

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
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

    eyepiece: Annotated[values.Factor, Said("Compared with an eyepiece of", "10x")] = 10.0
    field_number_mm: Annotated[
        float, Reads(values.length_mm), Said("and field number", "18 mm")
    ] = 18.0
    instrument: Annotated[values.OtherId, Said("or with the view of instrument", ITS_ID)] = None
    setting: Annotated[values.OtherId, Said("in setting", ITS_ID)] = None


@dataclass(frozen=True, slots=True)
class Head(Table):
    """What is said of the comparison itself."""

    form_name = "The bench"

    title: Annotated[values.Text, Said("Title")] = ""
    note: values.Note = ""
    display: DisplayField = None
    reference_view: ReferenceView = ReferenceView()


@dataclass(frozen=True, slots=True)
class Document(Table):
    """The whole of a `bench.toml`."""

    bench: Head = Head()
    objects: tuple[ReferenceObject, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    needs: tuple[Need, ...] = ()
    captures: tuple[Capture, ...] = ()


@dataclass(frozen=True, slots=True)
class MissingCapture:
    """A capture of which a file is not there, and the reason in words: which one, and what has its
    checksum now."""

    capture: Capture
    reason: str


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
    missing: tuple[MissingCapture, ...] = ()
    """Captures that are listed and whose files are gone; they are not among `captures`."""

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
