"""What a comparison is: reference objects, instruments with chains and settings, claims, captures.

These are the contents of `bench.toml` after every check has passed. Nothing here is measured; what
was measured lives in `glassay.bench.keeping.results`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from glassay.errors import Unusable
from glassay.imaging.tone import Tone
from glassay.optics.chain import Chain, Display

ObjectKind = Literal[
    "ruled scale", "grid", "edge", "bar target", "flat field", "repeat pair", "chip",
    "pixel array", "focus run", "relief", "chip in tiles", "picture",
]  # fmt: skip
OBJECT_KINDS: tuple[ObjectKind, ...] = (
    "ruled scale", "grid", "edge", "bar target", "flat field", "repeat pair", "chip",
    "pixel array", "focus run", "relief", "chip in tiles", "picture",
)  # fmt: skip

InstrumentKind = Literal["stereo", "compound", "screen", "USB", "other"]
INSTRUMENT_KINDS: tuple[InstrumentKind, ...] = ("stereo", "compound", "screen", "USB", "other")

Sense = Literal["at least", "at most", "equal"]
"""Which side of a claimed number keeps the promise."""

DEFAULT_SETTING = "as is"
"""Id of the only setting of an instrument for which none is written down."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """What a calibration certificate says of a scale: mean division, expanded uncertainty, k."""

    division_um: float
    expanded_um: float
    k: float = 2.0
    number: str = ""


@dataclass(frozen=True, slots=True)
class ReferenceObject:
    """What a capture can show. `division_um` is set for the kinds that carry one."""

    id: str
    kind: ObjectKind
    name: str = ""
    division_um: float | None = None
    certificate: Certificate | None = None
    tolerance: float | None = None
    """Stated relative tolerance (half-width) of the division, when there is no certificate."""
    note: str = ""
    line: int = 0
    sensor_of: str | None = None
    """Of a pixel array: the instrument whose image sensor it is, mostly not the one through which
    it is photographed."""
    mosaic: Literal["auto", "colour", "none"] = "auto"
    """Of a pixel array: whether a colour mosaic lies over the pixels; "auto" lets photos tell."""


@dataclass(frozen=True, slots=True)
class Money:
    """An amount in a currency (three-letter code)."""

    amount: float
    currency: str

    def __str__(self) -> str:
        return f"{self.amount:.2f} {self.currency}"


@dataclass(frozen=True, slots=True)
class Price:
    """List price, price paid, and what must be bought besides: a camera, and `also` by name."""

    list: Money | None = None
    paid: Money | None = None
    camera: Money | None = None
    also: tuple[tuple[str, Money], ...] = ()

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


@dataclass(frozen=True, slots=True)
class Setting:
    """A state of an instrument in which captures were made; its chain is the effective one."""

    id: str
    chain: Chain
    name: str = ""
    digital_zoom: float = 1.0
    through_eyepiece: bool = False
    """The captures were taken by another camera (a phone) through the eyepiece: their pixel size is
    that of this camera's pictures, and the field diameter is what belongs to the instrument."""
    note: str = ""
    line: int = 0
    for_chips: bool = True
    """Whether a chip can be looked at in it. Where not (no light reaches one), it still counts for
    claims, but meets no need, and nothing is planned with it."""
    tone: Tone | None = None
    """How stored values of its photos relate to light; None where nobody states it."""

    @property
    def title(self) -> str:
        """Name, or id where no name is given."""
        return self.name or self.id


@dataclass(frozen=True, slots=True)
class Claim:
    """A number that a seller states. `value` is in `unit`; None for a claim in words.

    `text` is the value as written in `bench.toml`, `where` the place where the seller states it. A
    claimed range ("20x to 1600x") becomes two claims: its high end to be reached at least, its low
    end (id with "-low") at most.
    """

    id: str
    kind: str
    text: str
    value: float | None
    unit: str
    where: str
    sense: Sense = "at least"
    tolerance: float = 0.0
    """The claim's own stated tolerance, relative."""
    digital_zoom: float = 1.0
    """The digital zoom that the seller counts in."""
    setting: str | None = None
    quote: str = ""
    note: str = ""
    line: int = 0

    @property
    def is_low_end(self) -> bool:
        """Whether this is the low end of a claimed range."""
        return self.sense == "at most" and " to " in self.text


@dataclass(frozen=True, slots=True)
class Observation:
    """Something seen in use that no photo shows.

    With a `kind` (see `glassay.bench.document.observed`) it is a fact of the comparison: `number` in
    `unit`, good to `within` (half-width of what it may be off by), or `holds` for yes or no.
    `settles` names the claim that it decides, in which case `holds` says how.
    """

    what: str
    value: str = ""
    date: str = ""
    note: str = ""
    line: int = 0
    kind: str = ""
    number: float | None = None
    unit: str = ""
    within: float = 0.0
    holds: bool | None = None
    settles: str | None = None
    at: str = ""
    """When in use it happened ("after 12 min"), for failures."""


@dataclass(frozen=True, slots=True)
class TeardownPart:
    """A part seen with the instrument open. `photos` lie in the bench folder; `captures` are ids of
    captures whose findings belong to the part (the sensor's own die)."""

    part: str
    package: str = ""
    marking: str = ""
    """As read, also where it is unclear."""
    photos: tuple[str, ...] = ()
    captures: tuple[str, ...] = ()
    date: str = ""
    note: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Instrument:
    """One microscope."""

    id: str
    kind: InstrumentKind
    chain: Chain
    name: str = ""
    settings: tuple[Setting, ...] = ()
    claims: tuple[Claim, ...] = ()
    observations: tuple[Observation, ...] = ()
    price: Price = Price()
    power: str = ""
    standalone: bool | None = None
    clearance_um: float | None = None
    illumination: str = ""
    note: str = ""
    line: int = 0
    teardown: tuple[TeardownPart, ...] = ()

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


@dataclass(frozen=True, slots=True)
class Capture:
    """A photo, a clip or a set of them: one instrument, one setting, one reference object.

    `files` are relative to the bench folder, with forward slashes; the first one is the `id`
    unless another is given.
    """

    id: str
    files: tuple[str, ...]
    instrument: str
    setting: str
    object: str
    box: tuple[int, int, int, int] | None = None
    pattern: Literal["auto", "ruled", "grid"] = "auto"
    note: str = ""
    line: int = 0
    step_um: float | None = None
    """Way of focus from photo to photo (frame to frame) of a focus run."""
    by_stage: bool = False
    """Whether a stage with a scale or a motor made these steps, and not a hand."""


@dataclass(frozen=True, slots=True)
class Need:
    """Something the user must be able to see or do: in words, and as conditions that all must hold.

    `detail_um` is the width of the finest line (half a period) that must be told at `contrast`
    (modulation; None: told apart at all) in a field of `field_um`, both in one setting. `power`
    holds words of which the instrument's power supply must have one.
    """

    id: str
    statement: str
    note: str = ""
    line: int = 0
    detail_um: float | None = None
    contrast: float | None = None
    field_um: tuple[float, float] | None = None
    clearance_um: float | None = None
    rate_per_s: float | None = None
    budget: Money | None = None
    power: tuple[str, ...] = ()
    standalone: bool | None = None
    must: bool = False
    """Whether an instrument that fails it is out; the others are wishes."""

    @property
    def is_judged(self) -> bool:
        """Whether anything but words is stated."""
        stated = (self.detail_um, self.field_um, self.clearance_um, self.rate_per_s, self.budget)
        return any(part is not None for part in (*stated, self.standalone)) or bool(self.power)


@dataclass(frozen=True, slots=True)
class ReferenceView:
    """The eyepiece view behind the field-equivalent reading.

    By default a stated standard eyepiece (10x, field number 18 mm). With `instrument` (and
    `setting`), the measured field of that instrument's view at its stated magnification instead.
    """

    eyepiece: float = 10.0
    field_number_mm: float = 18.0
    instrument: str | None = None
    setting: str | None = None


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
