"""One instrument of `bench.toml`: its chain, settings and price, and what it carries besides."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal, get_args

from glassay import units
from glassay.bench.document.claims import Claim, settled_claims
from glassay.bench.document.fields import (
    Amiss,
    Checks,
    Derived,
    Inner,
    Misplaced,
    Reads,
    Row,
    Said,
    Table,
    config,
)
from glassay.bench.document.observations import Observation, settled_observations
from glassay.bench.document.teardown import TeardownPart
from glassay.bench.document.values import (
    Factor,
    Id,
    Length,
    LengthMm,
    Name,
    Note,
    Number,
    Pixels,
    Text,
    Truth,
    choice,
    length_mm,
    length_um,
)
from glassay.errors import Unusable
from glassay.imaging.tone import Tone, parse_tone
from glassay.optics.chain import WAVELENGTH_UM, Chain, Display, Sensor

InstrumentKind = Literal["stereo", "compound", "screen", "USB", "other"]

DEFAULT_SETTING = "as is"
"""Id of the only setting of an instrument for which none is written down."""

NOTHING_STATED = Chain()

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


def _bought(value: object) -> tuple[tuple[str, Money], ...]:
    if not isinstance(value, Mapping):
        raise Unusable(f"expected a table, {{ ... }}, not {value!r}")
    found, wrong = [], []
    for name, amount in value.items():
        try:
            found.append((name, money(amount)))
        except Unusable as error:
            wrong.append(((name,), str(error)))
    if wrong:
        raise Misplaced(*wrong)
    return tuple(found)


Amount = Annotated[Money | None, Reads(money)]


@dataclass(frozen=True, slots=True)
class Price(Table):
    """List price, price paid, and what must be bought besides: a camera, and `also` by name."""

    list: Annotated[Amount, Said("List price", "420 EUR")] = None
    paid: Annotated[Amount, Said("Paid", "380 EUR")] = None
    camera: Annotated[Amount, Said("Camera, bought separately", "95 EUR")] = None
    also: Annotated[
        tuple[tuple[str, Money], ...],
        Reads(_bought, "pairs"),
        Said("What else must be bought", "ring light: 35 EUR"),
    ] = ()

    @property
    def parts(self) -> tuple[Money, ...]:
        """Every amount that is stated."""
        stated = (self.list, self.paid, self.camera, *(money for _, money in self.also))
        return tuple(part for part in stated if part is not None)

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


def _in_one_currency(price: Price, before: Mapping[str, Any]) -> Price:
    currencies = sorted({part.currency for part in price.parts})
    if len(currencies) > 1:
        said = " and ".join(currencies)
        raise Unusable(f"prices of one instrument are in one currency, not {said}")
    return price


# ---- the chain -----------------------------------------------------------------------------------


def _aperture(value: float, before: Mapping[str, Any]) -> float:
    if value >= 2:
        raise Unusable(f"{value:g} is more than any objective has")
    return value


Zoom = Annotated[tuple[float, float] | None, Reads(units.parse_factor_range)]
ObjectiveField = Annotated[Factor | None, Said("Objective", "4x")]
ZoomField = Annotated[Zoom, Said("Zoom", "0.7x to 4.5x")]
AuxiliaryField = Annotated[Factor | None, Said("Auxiliary lens", "2x")]
TubeField = Annotated[Factor | None, Said("Tube factor", "1x")]
EyepieceField = Annotated[Factor | None, Said("Eyepiece", "10x")]
FieldNumberField = Annotated[LengthMm, Said("Field number", "20 mm")]
AdapterField = Annotated[Factor | None, Said("Camera adapter", "0.5x")]
ApertureField = Annotated[Number | None, Checks(_aperture), Said("Numerical aperture", "0.1")]


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

    diagonal_mm: Annotated[LengthMm, Said("Display, diagonal", "24 in")] = None
    width_mm: LengthMm = None
    height_mm: LengthMm = None
    pixels: Annotated[Pixels, Said("Display, pixels", "1920 x 1080")] = None

    @classmethod
    def amiss(cls, row: Row) -> Iterator[Amiss]:
        if "diagonal" not in row and "width" not in row:
            yield None, 'display needs diagonal or width, like { diagonal = "24 in" }'

    def display(self) -> Display | None:
        """The screen; of a diagonal alone, the width follows from the pixels or from 16:9."""
        columns, rows = self.pixels or (None, None)
        if self.width_mm is not None:
            across, down = self.pixels or (16, 9)
            height = self.height_mm or self.width_mm * down / across
            inches = None if self.diagonal_mm is None else self.diagonal_mm / 25.4
            return Display(self.width_mm, height, columns, rows, inches)
        if self.diagonal_mm is None:
            return None  # it is told that one of the two is missing
        return Display.from_diagonal(self.diagonal_mm, columns, rows)


DisplayField = Annotated[
    Display | None,
    Inner(
        DisplayTable,
        then=DisplayTable.display,
        also=lambda diagonal: Display.from_diagonal(length_mm(diagonal)),
    ),
]


def _agreeing(width_um: float, before: Mapping[str, Any]) -> float:
    pitch, pixels = before.get("sensor_pitch_um"), before.get("sensor_pixels")
    if pitch and pixels and abs(pitch * pixels[0] / width_um - 1) > SENSOR_AGREES:
        across = pitch * pixels[0]
        raise Unusable(f"{width_um:g} um contradicts sensor_pitch x columns, {across:g} um")
    return width_um


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
    sensor_pitch_um: Annotated[Length, Said("Sensor pixel pitch", "3.4 um")] = None
    sensor_pixels: Annotated[Pixels, Said("Sensor pixels", "1920 x 1080")] = None
    sensor_width_um: Annotated[Length, Checks(_agreeing), Said("Sensor width", "5.6 mm")] = None
    display: DisplayField = None
    wavelength_um: Annotated[float, Reads(length_um), Said("Wavelength", "0.55 um")] = WAVELENGTH_UM
    refractive_index: Annotated[Number, Said("Refractive index", "1")] = 1.0

    @classmethod
    def amiss(cls, row: Row) -> Iterator[Amiss]:
        yield from _one_objective(row)

    def chain(self) -> Chain:
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

    id: Annotated[Id, Said("Id", "zoom-4.5", needed='a short name, like "zoom-4.5"')]
    chain: Annotated[Chain, Derived()] = NOTHING_STATED
    name: Name = ""
    objective: ObjectiveField = None
    zoom: ZoomField = None
    auxiliary: AuxiliaryField = None
    tube: TubeField = None
    eyepiece: EyepieceField = None
    field_number_mm: FieldNumberField = None
    adapter: AdapterField = None
    numerical_aperture: ApertureField = None
    digital_zoom: Annotated[Factor, Said("Digital zoom", "1x")] = 1.0
    through_eyepiece: Annotated[Truth, Said("Photographed through the eyepiece")] = False
    """The captures were taken by another camera (a phone) through the eyepiece: their pixel size is
    that of this camera's pictures, and the field diameter is what belongs to the instrument."""
    for_chips: Annotated[Truth, Said("Chips can be looked at in it")] = True
    """Whether a chip can be looked at in it. Where not (no light reaches one), it still counts for
    claims, but meets no need, and nothing is planned with it."""
    tone: Annotated[ToneField, Said("Tone curve of its photos, where it differs")] = None
    """How stored values of its photos relate to light; None where nobody states it."""
    note: Note = ""

    @classmethod
    def amiss(cls, row: Row) -> Iterator[Amiss]:
        yield from _one_objective(row)

    @property
    def title(self) -> str:
        """Name, or id where no name is given."""
        return self.name or self.id


def _settled_settings(
    settings: Sequence[Setting], before: Mapping[str, Any]
) -> tuple[Setting, ...]:
    """The settings with their effective chains and tone curves. Raises `Misplaced` for a zoom that the
    chain does not have."""
    base: Chain = before.get("chain", NOTHING_STATED)
    outside = [
        ((index, "zoom"), f"lies outside the chain's zoom of {base.zoom[0]:g}x to {base.zoom[1]:g}x")
        for index, one in enumerate(settings)
        if base.zoom is not None and one.zoom is not None
        and not base.zoom[0] * 0.999 <= one.zoom[0] <= one.zoom[1] <= base.zoom[1] * 1.001
    ]  # fmt: skip
    if outside:
        raise Misplaced(*outside)
    # a phone behind the eyepiece has a curve of its own
    return tuple(
        replace(one, chain=_with_factors(base, one),
                tone=one.tone or (None if one.through_eyepiece else before.get("tone")))
        for one in settings
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Instrument(Table):
    """One microscope."""

    form_name = "Instrument"
    __pydantic_config__ = config(settings="setting", claims="claim", observations="observation")

    id: Annotated[Id, Said("Id", "desk-stereo", needed='a short name, like "desk-stereo"')]
    kind: Annotated[
        InstrumentKind,
        choice(*get_args(InstrumentKind)),
        Said("Kind", needed='a kind, like "stereo"'),
    ]
    chain: Annotated[Chain, Inner(ChainTable, own_form=True, then=ChainTable.chain)] = (
        NOTHING_STATED
    )
    name: Name = ""
    price: Annotated[Price, Inner(Price), Checks(_in_one_currency)] = Price()
    power: Annotated[Text, Said("Power", "mains")] = ""
    standalone: Annotated[Truth | None, Said("Works without computer or phone")] = None
    clearance_um: Annotated[Length, Said("Free height above the object", "100 mm")] = None
    illumination: Annotated[Text, Said("Light", "ring light")] = ""
    tone: Annotated[
        ToneField, Said("Tone curve of its photos", "srgb, linear, or an exponent like 2.2")
    ] = None
    note: Note = ""
    settings: Annotated[
        tuple[Setting, ...],
        Inner(Setting, many=True, own_form=True),
        Checks(_settled_settings),
    ] = ()
    claims: Annotated[
        tuple[Claim, ...], Inner(Claim, many=True, own_form=True), Checks(settled_claims)
    ] = ()
    observations: Annotated[
        tuple[Observation, ...],
        Inner(Observation, many=True, own_form=True),
        Checks(settled_observations),
    ] = ()
    teardown: Annotated[
        tuple[TeardownPart, ...], Inner(TeardownPart, many=True, own_form=True)
    ] = ()

    @property
    def title(self) -> str:
        """Name, or id where no name is given."""
        return self.name or self.id

    def setting(self, setting_id: str) -> Setting:
        """The setting with this id. Raises `Unusable` when there is none."""
        for setting in self.settings:
            if setting.id == setting_id:
                return setting
        raise Unusable(f"instrument {self.id!r} has no setting {setting_id!r}")
