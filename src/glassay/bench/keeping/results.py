"""What was found on a bench: results of captures, of settings, verdicts and the comparison.

`assemble` in `glassay.bench.measuring.assemble` builds a `BenchResults`; faces only read it. Every
number is a `Quantity`, whose contributions carry the reference object's identity, so that ratios of two
results measured on one slide do not count the slide.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal, TypeVar

from glassay.bench.document.model import Bench, Capture, Claim, Instrument, Money, Setting
from glassay.finding import Finding
from glassay.optics.readings import Reading
from glassay.quantity import Quantity
from glassay.sampling.binding import Binding

T = TypeVar("T")

Status = Literal["measured", "refused", "unusable", "not run", "no method", "nothing found"]
"""refused: readable, but nothing to measure; unusable: damaged file; no method: kind of object on
which nothing has to be measured; nothing found: so a method that was tried aside from what the
capture is for (of single methods only; such a capture is "no method")."""

VerdictWord = Literal["met", "not met", "undecided", "untested"]


@dataclass(frozen=True)
class Statement:
    """What is to be said, before it is a sentence: its kind, and the names and numbers in it."""

    kind: str
    names: tuple[str, ...] = ()
    numbers: tuple[Quantity | float, ...] = ()


@dataclass(frozen=True)
class MethodResult:
    """What one method found in one capture. `evidence` is plain data for drawing (docs/json.md)."""

    method: str
    status: Status
    findings: Mapping[str, Finding] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    reason: str = ""
    """One sentence when `status` is not "measured"."""
    evidence: Mapping[str, Any] = field(default_factory=dict)
    facts: Mapping[str, Any] = field(default_factory=dict)
    """The files' own statements: width, height (upright px), format, EXIF."""
    aside: bool = False
    """Tried aside from what the capture is for; it decides nothing about the capture's status."""


@dataclass(frozen=True)
class CaptureResult:
    """What one capture gave, by each method that its kind of object allows."""

    capture: Capture
    parts: tuple[MethodResult, ...]

    @property
    def status(self) -> Status:
        """ "measured" when any method measured, else the status of the first one.

        Of methods tried aside, only where there are no others.
        """
        parts = self._deciding
        if any(part.status == "measured" for part in parts):
            return "measured"
        status = parts[0].status if parts else "no method"
        return "no method" if status == "nothing found" else status

    @property
    def _deciding(self) -> tuple[MethodResult, ...]:
        return tuple(part for part in self.parts if not part.aside) or self.parts

    @cached_property
    def findings(self) -> Mapping[str, Finding]:
        """Findings of all methods; of a key that two have, the earlier method's."""
        return {key: value for part in reversed(self.parts) for key, value in part.findings.items()}

    @property
    def notes(self) -> tuple[str, ...]:
        """Notes of all methods, without repeats."""
        return tuple(dict.fromkeys(note for part in self.parts for note in part.notes))

    @property
    def reason(self) -> str:
        """Why a method gave no number; empty when all did."""
        none = self.status == "no method"
        told = (p.reason for p in self._deciding if none or p.status != "nothing found")
        return "; ".join(dict.fromkeys(reason for reason in told if reason))

    @cached_property
    def facts(self) -> Mapping[str, Any]:
        """The files' own statements: width, height (upright px), format, EXIF."""
        return {key: value for part in self.parts for key, value in part.facts.items()}

    def part(self, method: str) -> MethodResult | None:
        """What the method of this name gave, if it was used."""
        return next((part for part in self.parts if part.method == method), None)


def captures_in(
    instrument: str, setting: str, captures: Sequence[CaptureResult]
) -> list[CaptureResult]:
    """The captures that were taken in one setting of an instrument (ids)."""
    return [
        one for one in captures
        if (one.capture.instrument, one.capture.setting) == (instrument, setting)
    ]  # fmt: skip


NATIVE_PIXEL = "native_pixel_size"
"""Key of a setting's finding: the size at the object of what was one pixel before enlargement."""


@dataclass(frozen=True)
class SettingResult:
    """One setting of one instrument: means over its captures, and the readings they allow.

    `findings` has the keys pixel_size, field_width, field_height, field_diameter where measured; a
    mean over several captures has a contribution "repeatability between captures". `pixel_size` is
    that of the files; native_pixel_size stands beside it where it is known that they are enlarged.
    """

    instrument: Instrument
    setting: Setting
    findings: Mapping[str, Finding]
    readings: tuple[Reading, ...]
    captures: tuple[str, ...]
    """Ids of the captures behind the findings."""
    picture: tuple[int, int] | None = None
    """Width and height in px of the pictures to which `pixel_size` belongs."""
    notes: tuple[str, ...] = ()
    binding: Binding | None = None
    """Which limit keeps its pictures from showing more; None where nothing shows their detail."""

    def among(self, captures: Sequence[CaptureResult]) -> list[CaptureResult]:
        """Those of the captures that were taken in this setting."""
        return captures_in(self.instrument.id, self.setting.id, captures)

    @property
    def seen_width(self) -> Quantity | None:
        """Width of what is seen, in um: the diameter of a round field, else the width."""
        for key in ("field_diameter", "field_width"):
            if key in self.findings:
                return self.findings[key].quantity
        return None

    @property
    def pixel(self) -> Finding | None:
        """Size at the object of a pixel of the camera: a native one where its files are known to be
        enlarged, else the files' own. None where it was not measured."""
        return self.findings.get(NATIVE_PIXEL, self.findings.get("pixel_size"))

    def reading(self, key: str) -> Reading | None:
        """The reading with this key, where the setting allows it."""
        return next((r for r in self.readings if r.key == key), None)


@dataclass(frozen=True)
class JudgedReading:
    """A claim held against one reading, in one setting.

    `value` is the reading; `counted` is the reading times the digital zoom that is allowed
    (`zoom`, 1 where none is); `counted` is held against `claimed`.
    """

    reading: Reading
    setting: str
    zoom: float
    counted: Quantity
    claimed: float
    verdict: VerdictWord


@dataclass(frozen=True)
class Verdict:
    """A claim held against findings. `sentence` can be quoted as it stands.

    For magnification `readings` holds every reading, the most generous first, and `word` is the
    verdict under that one. For other kinds `value` is the finding that decides.
    """

    instrument: str
    claim: Claim
    word: VerdictWord
    sentence: str
    rule: str
    """The decision rule as applied, with its numbers; empty when untested."""
    value: Quantity | None = None
    value_name: str = ""
    setting: str | None = None
    readings: tuple[JudgedReading, ...] = ()
    display_width_needed: Quantity | None = None
    """Picture width (mm) on a display that would make a magnification claim true."""
    detail_limit: Quantity | None = None
    """Magnification beyond which no further detail can appear (1000 NA)."""
    details: tuple[str, ...] = ()
    """Further sentences: display needed, whether detail can follow, digital zoom."""


ContradictionKind = Literal[
    "missing file", "changed file", "filed twice", "chain against field", "chain against sensor",
    "chain against image", "settings against each other", "round field",
    "photos of one setting", "framed", "cut out", "smaller than the sensor", "calibrations of one chip",
    "finest line by two sources",
    "finest line by two scales",
]  # fmt: skip


@dataclass(frozen=True)
class Contradiction:
    """Evidence on the bench that disagrees with itself beyond any explanation.

    `places` are (instrument, setting), `captures` what it is seen in, `numbers` and `names` what
    the sentence of its kind states. What it `touches` counts for no verdict: the lengths measured in
    its places ("scale"), or its captures altogether (of those, the `doubtful` ones where given); or
    nothing, where the more careful number stands already.
    """

    kind: ContradictionKind
    places: tuple[tuple[str, str], ...]
    captures: tuple[str, ...]
    numbers: tuple[Quantity, ...] = ()
    names: tuple[str, ...] = ()
    touches: Literal["nothing", "scale", "everything"] = "everything"
    doubtful: tuple[str, ...] = ()

    @property
    def in_doubt(self) -> tuple[str, ...]:
        """Ids of the captures that cannot be relied on."""
        return self.doubtful or self.captures


@dataclass(frozen=True)
class SameField:
    """What people compare by eye: this setting's field is that of a certain view of another.

    `equivalent` is the magnification, in the `reference` instrument's own terms, whose view shows
    exactly the width seen here; `ratio` is the reference field over this one.
    """

    instrument: str
    setting: str
    reference_instrument: str
    reference_setting: str
    ratio: Quantity
    reference_magnification: float | None
    equivalent: Quantity | None
    sentence: str


Better = Literal["higher", "lower"] | None


@dataclass(frozen=True)
class Column:
    """A column of the comparison table. `id` is stable and safe to link and script against."""

    id: str
    title: str
    unit: str
    """Unit of every quantity in the column; "" for words, "money" for prices."""
    definition: str
    better: Better = None


@dataclass(frozen=True)
class Cell:
    """One value of the table; `value` is None where it is not known, with `why`.

    A `Quantity` is always in its column's unit. `bound` says that it is no more than a bound ("at
    least" or "at most" so much); such a cell is never the best of its column. `note` says what the
    value is of, where that is not what a reader would take it for.
    """

    value: Quantity | Money | str | bool | None
    setting: str | None = None
    why: str = ""
    bound: Literal["", "at least", "at most"] = ""
    note: str = ""


@dataclass(frozen=True)
class Row:
    """One instrument's line in the table."""

    id: str
    title: str
    cells: Mapping[str, Cell]


@dataclass(frozen=True)
class Comparison:
    """The comparison table: one row for each instrument, in the order of `bench.toml`."""

    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    notes: tuple[str, ...] = ()

    def cell(self, row_id: str, column_id: str) -> Cell:
        """The cell at a row and a column. Raises KeyError for unknown ids."""
        row = {row.id: row for row in self.rows}[row_id]
        return row.cells[column_id]


SCALE_IN_DOUBT = (
    "its scale is in doubt: what was measured for it contradicts other evidence on this bench, as the"
    " bench's results say; that is resolved first"
)
"""Why a setting gives no um, where `BenchResults.is_scale_doubtful`."""


@dataclass(frozen=True)
class BenchResults:
    """Everything a face needs to show a bench."""

    bench: Bench
    captures: tuple[CaptureResult, ...]
    settings: tuple[SettingResult, ...]
    verdicts: tuple[Verdict, ...]
    comparison: Comparison
    same_field: tuple[SameField, ...]
    assumptions: tuple[str, ...]
    """Assumptions made anywhere, one sentence each, without repeats."""
    contradictions: tuple[Contradiction, ...] = ()
    """What contradicts itself, to be told before anything else."""
    _derived: dict[str, Any] = field(default_factory=dict, compare=False, repr=False)

    def once(self, name: str, make: Callable[[], T]) -> T:
        """What `make` derives from these results, kept under its name for whoever asks again."""
        if name not in self._derived:
            self._derived[name] = make()
        found: T = self._derived[name]
        return found

    @property
    def doubts(self) -> tuple[Contradiction, ...]:
        """Those that verdicts may lean on. The others are said with what they are about."""
        return tuple(one for one in self.contradictions if one.touches != "nothing")

    def is_doubtful(self, one: SettingResult) -> bool:
        """Whether a contradiction stands in this setting."""
        here = (one.instrument.id, one.setting.id)
        return any(here in found.places for found in self.doubts)

    @property
    def captures_in_doubt(self) -> frozenset[str]:
        """Ids of the captures that count for nothing, since a contradiction touches them altogether."""
        return frozenset(
            id for found in self.doubts if found.touches == "everything" for id in found.in_doubt
        )

    @property
    def captures_that_count(self) -> tuple[CaptureResult, ...]:
        """All captures but those in doubt."""
        doubted = self.captures_in_doubt
        return tuple(one for one in self.captures if one.capture.id not in doubted)

    def is_scale_doubtful(self, one: SettingResult) -> bool:
        """Whether a contradiction touches the lengths of this setting, or a capture behind them."""
        here = (one.instrument.id, one.setting.id)
        return not self.captures_in_doubt.isdisjoint(one.captures) or any(
            here in found.places for found in self.doubts if found.touches == "scale"
        )

    @property
    def not_run(self) -> tuple[str, ...]:
        """Ids of the captures that are filed, not measured yet: running the bench may settle much."""
        return tuple(one.capture.id for one in self.captures if one.status == "not run")

    def run_or(self, advice: str) -> str:
        """What to do where something is not known: run the bench if photos wait for it, or `advice`."""
        waiting = self.not_run
        return f"run the bench first: {waiting[0]} is not measured yet" if waiting else advice

    def capture(self, capture_id: str) -> CaptureResult:
        """The result of one capture. Raises KeyError for an unknown id."""
        return {result.capture.id: result for result in self.captures}[capture_id]

    def settings_of(self, instrument_id: str) -> tuple[SettingResult, ...]:
        """The settings of one instrument that have results."""
        return tuple(s for s in self.settings if s.instrument.id == instrument_id)

    def verdicts_of(self, instrument_id: str) -> tuple[Verdict, ...]:
        """The verdicts on one instrument's claims."""
        return tuple(v for v in self.verdicts if v.instrument == instrument_id)
