"""One instrument of `bench.toml`: its chain, settings and price, and what it carries besides."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal, TypeVar

from glassay import units
from glassay.bench.document import values
from glassay.bench.document.claims import Claim, all_claims
from glassay.bench.document.fields import Amiss, Inner, Reads, Row, Said, Table
from glassay.bench.document.mistakes import no_such
from glassay.bench.document.observations import Observation
from glassay.bench.document.teardown import TeardownPart
from glassay.errors import Unusable
from glassay.imaging.tone import Tone, parse_tone
from glassay.optics.chain import WAVELENGTH_UM, Chain, Display, Sensor

InstrumentKind = Literal["stereo", "compound", "screen", "USB", "other"]

DEFAULT_SETTING = "as is"
"""Id of the only setting of an instrument for which none is written down."""

NOTHING_STATED = Chain()

WAVELENGTHS_UM, PITCHES_UM = (0.1, 20.0), (0.1, 200.0)
"""Light that lenses pass, and distances of pixels of cameras, X-ray panels included (common practice,
no source): what lies beyond is a unit mistaken."""
SENSOR_AGREES = 0.02
"""Pitch times columns may differ from a stated sensor width by 2 %: data sheets round both."""


@dataclass(frozen=True, slots=True)
class Money:
    """An amount in a currency (three-letter code)."""

    amount: float
    currency: str

    def __str__(self) -> str:
        return f"{self.amount:.2f} {self.currency}"


def money(value: object) -> Money:
    """An amount of at least 0, like "129.90 EUR". Raises `Unusable`."""
    amount, currency = units.parse_money(value)
    if amount < 0:
        raise Unusable(f"{value!r} is below 0")
    return Money(amount, currency)


Amount = Annotated[Money | None, Reads(money)]


@dataclass(frozen=True, slots=True)
class Price(Table):
    """List price, price paid, and what must be bought besides: a camera, and `also` by name."""

    list: Annotated[Amount, Said("List price", "420 EUR")] = None
    paid: Annotated[Amount, Said("Paid", "380 EUR")] = None
    camera: Annotated[Amount, Said("Camera, bought separately", "95 EUR")] = None
    also: Annotated[
        tuple[tuple[str, Money], ...],
        Reads(values.a_table, "pairs"), Said("What else must be bought", "ring light: 35 EUR"),
    ] = ()  # fmt: skip

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
        stated = [got.get(key) for key in ("list", "paid", "camera")]
        besides = []
        for name, amount in got.get("also", {}).items():
            try:
                besides.append((name, money(amount)))
            except Unusable as error:
                yield ("also", name), str(error)
        got["also"] = tuple(besides)
        stated += [amount for _, amount in besides]
        currencies = sorted({part.currency for part in stated if part is not None})
        if len(currencies) > 1:
            said = " and ".join(currencies)
            yield None, f"prices of one instrument are in one currency, not {said}"

    @property
    def total(self) -> Money | None:
        """Paid (or else list) plus all that must be bought besides; None if neither is known."""
        base = self.paid or self.list
        if base is None:
            return None
        besides = [money for _, money in self.also] + ([self.camera] if self.camera else [])
        if any(money.currency != base.currency for money in besides):
            return None
        return Money(base.amount + sum(money.amount for money in besides), base.currency)


# ---- the chain -----------------------------------------------------------------------------------


def _aperture(value: object) -> float:
    found = values.number(value)
    if found >= 2:
        raise Unusable(f"{found:g} is more than any objective has")
    return found


ObjectiveField = Annotated[values.Factor | None, Said("Objective", "4x")]
ZoomField = Annotated[
    tuple[float, float] | None, Reads(units.parse_factor_range), Said("Zoom", "0.7x to 4.5x")
]
AuxiliaryField = Annotated[values.Factor | None, Said("Auxiliary lens", "2x")]
TubeField = Annotated[values.Factor | None, Said("Tube factor", "1x")]
EyepieceField = Annotated[values.Factor | None, Said("Eyepiece", "10x")]
FieldNumberField = Annotated[values.LengthMm, Said("Field number", "20 mm")]
AdapterField = Annotated[values.Factor | None, Said("Camera adapter", "0.5x")]
ApertureField = Annotated[
    float | None, Reads(_aperture, "number"), Said("Numerical aperture", "0.1")
]


def _with_factors(base: Chain, stated: ChainTable | Setting) -> Chain:
    """The chain with those factors in place of its own that are stated."""
    names = ("objective", "zoom", "auxiliary", "tube", "eyepiece", "field_number_mm", "adapter",
             "numerical_aperture")  # fmt: skip
    given = {name: found for name in names if (found := getattr(stated, name)) is not None}
    if "objective" in given or "zoom" in given:
        given = {"objective": None, "zoom": None, **given}
    return replace(base, **given)


def _one_objective(row: Row) -> Iterator[Amiss]:
    if "objective" in row and "zoom" in row:
        yield "zoom", "an objective is given too; a chain has one of the two"


@dataclass(frozen=True, slots=True)
class DisplayTable(Table):
    """A screen as it is stated."""

    diagonal_mm: Annotated[values.LengthMm, Said("Display, diagonal", "24 in")] = None
    width_mm: values.LengthMm = None
    height_mm: values.LengthMm = None
    pixels: Annotated[values.Pixels, Said("Display, pixels", "1920 x 1080")] = None

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
        if "diagonal" not in row and "width" not in row:
            yield None, 'display needs diagonal or width, like { diagonal = "24 in" }'

    def kept(self) -> Display | None:
        """The screen; of a diagonal alone, the width follows from the pixels or from 16:9."""
        columns, rows = self.pixels or (None, None)
        if self.width_mm is not None:
            across, down = self.pixels or (16, 9)
            height = self.height_mm or self.width_mm * down / across
            inches = None if self.diagonal_mm is None else self.diagonal_mm / 25.4
            return Display(self.width_mm, height, columns, rows, inches)
        if self.diagonal_mm is None:
            return None  # which is told as a mistake
        return Display.from_diagonal(self.diagonal_mm, columns, rows)


def _by_diagonal(value: object) -> Display:
    return Display.from_diagonal(values.length_mm(value))


DisplayField = Annotated[Display | None, Inner(DisplayTable, text=_by_diagonal)]


@dataclass(frozen=True, slots=True)
class ChainTable(Table):
    """A chain as it is stated."""

    form_name = "Optical chain, as stated"

    objective: ObjectiveField = None
    zoom: ZoomField = None
    auxiliary: AuxiliaryField = None
    tube: TubeField = None
    eyepiece: EyepieceField = None
    field_number_mm: FieldNumberField = None
    adapter: AdapterField = None
    numerical_aperture: ApertureField = None
    sensor_pitch_um: Annotated[values.Length, Said("Sensor pixel pitch", "3.4 um")] = None
    sensor_pixels: Annotated[values.Pixels, Said("Sensor pixels", "1920 x 1080")] = None
    sensor_width_um: Annotated[values.Length, Said("Sensor width", "5.6 mm")] = None
    display: DisplayField = None
    wavelength_um: Annotated[values.SomeLength, Said("Wavelength", "0.55 um")] = WAVELENGTH_UM
    refractive_index: Annotated[values.Number, Said("Refractive index", "1")] = 1.0

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
        yield from _one_objective(row)
        for key, at, (least, most) in (
            ("wavelength", "wavelength_um", WAVELENGTHS_UM),
            ("sensor_pitch", "sensor_pitch_um", PITCHES_UM),
        ):
            value = got.get(at)
            if value is not None and not least <= value <= most:
                yield key, f"{value:g} um is none: expected {least:g} to {most:g} um"
        pitch, width = got.get("sensor_pitch_um"), got.get("sensor_width_um")
        columns = got.get("sensor_pixels", (0, 0))[0]
        if pitch and width and columns and abs(pitch * columns / width - 1) > SENSOR_AGREES:
            across = f"sensor_pitch x columns, {pitch * columns:g} um"
            yield "sensor_width", f"{width:g} um contradicts {across}"

    def kept(self) -> Chain:
        """What it says of the optics."""
        pitch, width = self.sensor_pitch_um, self.sensor_width_um
        columns, rows = self.sensor_pixels or (None, None)
        is_known = pitch is not None or width is not None or columns is not None
        return replace(
            _with_factors(NOTHING_STATED, self),
            sensor=Sensor(pitch, columns, rows, width) if is_known else None,
            display=self.display,
            wavelength_um=self.wavelength_um,
            refractive_index=self.refractive_index,
        )


# ---- the instrument ------------------------------------------------------------------------------

ToneField = Annotated[Tone | None, Reads(parse_tone)]


@dataclass(frozen=True, slots=True)
class Setting(Table):
    """A state of an instrument in which captures were made. Its `chain` is the effective one; the
    factors beside it are those that are stated for this setting."""

    form_name = "Setting"

    id: Annotated[values.Id, Said("Id", "zoom-4.5", needed="a short name")]
    chain: Chain = NOTHING_STATED
    name: values.Name = ""
    objective: ObjectiveField = None
    zoom: ZoomField = None
    auxiliary: AuxiliaryField = None
    tube: TubeField = None
    eyepiece: EyepieceField = None
    field_number_mm: FieldNumberField = None
    adapter: AdapterField = None
    numerical_aperture: ApertureField = None
    digital_zoom: Annotated[values.Factor, Said("Digital zoom", "1x")] = 1.0
    through_eyepiece: Annotated[values.Truth, Said("Photographed through the eyepiece")] = False
    """The captures were taken by another camera (a phone) through the eyepiece: their pixel size is
    that of this camera's pictures, and the field diameter is what belongs to the instrument."""
    for_chips: Annotated[values.Truth, Said("Chips can be looked at in it")] = True
    """Whether a chip can be looked at in it. Where not (no light reaches one), it still counts for
    claims, but meets no need, and nothing is planned with it."""
    tone: Annotated[ToneField, Said("Tone curve of its photos, where it differs")] = None
    """How stored values of its photos relate to light; None where nobody states it."""
    note: values.Note = ""
    shown_as: str = ""
    """Name and id, where the name alone does not tell it from another."""

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
        yield from _one_objective(row)

    @property
    def title(self) -> str:
        """Name, or id where no name is given; both where another has the same name."""
        return self.shown_as or self.name or self.id


def _is_within(inner: tuple[float, float], outer: tuple[float, float]) -> bool:
    return outer[0] * 0.999 <= inner[0] and inner[1] <= outer[1] * 1.001


@dataclass(frozen=True, slots=True)
class Instrument(Table):
    """One microscope."""

    form_name = "Instrument"
    id: Annotated[values.Id, Said("Id", "desk-stereo", needed="a short name")]
    kind: Annotated[InstrumentKind, Said("Kind", needed='a kind, like "stereo"')]
    chain: Annotated[Chain, Inner(ChainTable)] = NOTHING_STATED
    name: values.Name = ""
    price: Price = Price()
    power: Annotated[values.Text, Said("Power", "mains")] = ""
    standalone: Annotated[values.Truth | None, Said("Works without computer or phone")] = None
    clearance_um: Annotated[values.Length, Said("Free height above the object", "100 mm")] = None
    illumination: Annotated[values.Text, Said("Light", "ring light")] = ""
    tone: Annotated[
        ToneField, Said("Tone curve of its photos", "srgb, linear, or an exponent like 2.2")
    ] = None
    note: values.Note = ""
    settings: tuple[Setting, ...] = ()
    claims: tuple[Claim, ...] = ()
    observations: tuple[Observation, ...] = ()
    teardown: tuple[TeardownPart, ...] = ()
    shown_as: str = ""
    """Name and id, where the name alone does not tell it from another."""

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
        base, tone = got.get("chain", NOTHING_STATED), got.get("tone")
        settings = got.get("settings", ()) or (Setting(DEFAULT_SETTING),)
        for index, one in enumerate(settings):
            if base.zoom and one.zoom and not _is_within(one.zoom, base.zoom):
                low, high = base.zoom
                text = f"lies outside the chain's zoom of {low:g}x to {high:g}x"
                yield ("setting", index, "zoom"), text
        claims, twice = all_claims(got.get("claims", ()))
        yield from twice
        for index, claim in enumerate(got.get("claims", ())):
            ids = [one.id for one in settings]
            yield ("claim", index, "setting"), no_such("setting", claim.setting, ids)
        for index, seen in enumerate(got.get("observations", ())):
            ids = [claim.id for claim in claims]
            yield ("observation", index, "settles"), no_such("claim", seen.settles, ids)
        got["claims"] = tuple(claims)
        got["settings"] = tuple(
            replace(
                one,
                chain=_with_factors(base, one),
                # a phone behind the eyepiece has a curve of its own
                tone=one.tone or (None if one.through_eyepiece else tone),
            )
            for one in told_apart(settings)
        )

    @property
    def title(self) -> str:
        """Name, or id where no name is given; both where another has the same name."""
        return self.shown_as or self.name or self.id

    def setting(self, setting_id: str) -> Setting:
        """The setting with this id. Raises `Unusable` when there is none."""
        for setting in self.settings:
            if setting.id == setting_id:
                return setting
        raise Unusable(f"instrument {self.id!r} has no setting {setting_id!r}")


Named = TypeVar("Named", Instrument, Setting)


def told_apart(things: Sequence[Named]) -> tuple[Named, ...]:
    """The same, those of one name shown with their ids in brackets: "Stereo (desk-stereo)"."""
    count = Counter(_as_seen(one) for one in things)
    return tuple(
        replace(one, shown_as=f"{one.name} ({one.id})")
        if one.name and count[_as_seen(one)] > 1
        else one
        for one in things
    )


def _as_seen(one: Instrument | Setting) -> str:
    """What a reader sees of a name: neither white space nor the case of letters tells two apart."""
    return " ".join((one.name or one.id or "").split()).casefold()
