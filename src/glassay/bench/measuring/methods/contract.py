"""What every way of measuring a capture takes and gives.

A method gets the capture's files and its settings as plain data, because it runs in another
process, and returns an `Outcome` or raises `NotMeasurable` or `Unusable`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, TypeVar

from glassay.bench.document.model import Bench, Capture, ObjectKind
from glassay.bench.keeping.results import Column
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging import Photo, read_photo
from glassay.imaging.tone import Tone

T = TypeVar("T")
Settings = Mapping[str, Any]

Medium = Literal["photos", "clip"]


@dataclass(frozen=True)
class Outcome:
    """What a method found: findings by key, notes, evidence for drawing, facts of the files."""

    findings: Mapping[str, Finding]
    notes: tuple[str, ...] = ()
    evidence: Any = None
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class ValueColumn:
    """A column of the comparison table filled from findings: each instrument's best setting.

    It appears where any capture has one of the findings `shown_with`. `values` names
    ("module:function") what takes a `SettingResult` and a `CaptureResult` of that setting and
    yields quantities in the column's unit; "" for the finding whose key is the column's id. `why`
    stands in the table where there is none.
    """

    column: Column
    shown_with: tuple[str, ...]
    highest: bool
    why: str
    values: str = ""


@dataclass(frozen=True)
class CommandEntry:
    """A command: its name, its help in one line, and where its `click` command is."""

    name: str
    help: str
    where: str


@dataclass(frozen=True)
class ShotKind:
    """One kind of shot: what it shows, how to take it well, and roughly how long that takes."""

    title: str
    how: tuple[str, ...]
    minutes: float
    objects: tuple[ObjectKind, ...] = ()
    any_setting: bool = False


@dataclass(frozen=True)
class Method:
    """One way to measure a capture.

    It is made on captures of these `kinds` of objects that consist of one of these `media`.
    `settings` picks what the result depends on besides the files; `version` is raised whenever the
    same input may give another number. It is made `aside` on further kinds, whose captures are
    there for something else (edges in a photo of a chip): finding nothing is normal there and no
    failure. `wanted` leaves single captures out.
    """

    name: str
    kinds: tuple[ObjectKind, ...]
    version: str
    settings: Callable[[Bench, Capture], dict[str, Any]]
    measure: Callable[[Sequence[Path], Settings], Outcome]
    media: tuple[Medium, ...] = ("photos",)
    slow: bool = False
    """Takes much longer than most: begun first, so that no processor waits for it in the end."""
    aside: tuple[ObjectKind, ...] = ()
    wanted: Callable[[Bench, Capture], bool] = lambda bench, capture: True
    names: Mapping[str, str] = field(default_factory=dict)
    """What its findings are called where people read them, by their keys."""
    shares: tuple[str, ...] = ()
    """Findings kept as shares of one, and shown in per cent."""
    drawing: str = ""
    """What draws its evidence, "module:function", taking a `glassay.report.evidence.Case` and
    returning `Figure`s; "" where nothing is drawn over the photo."""
    overlay: str = ""
    """What gives its evidence as shapes over the photo in the workbench, "module:function", taking
    the `MethodResult` and returning `glassay.web.overlay.Shapes`."""
    columns: tuple[ValueColumn, ...] = ()
    """Columns of the comparison table that its findings fill."""
    command: CommandEntry | None = None
    """Its command on the command line, for methods of other packages."""
    shots: Mapping[str, ShotKind] = field(default_factory=dict)
    """Photos or clips that it takes, by the key under which kinds of claims name them."""


def box_only(bench: Bench, capture: Capture) -> dict[str, Any]:
    """Settings of a method that depends on nothing but the files and the box."""
    return {"box": capture.box}


def with_tone_curve(bench: Bench, capture: Capture, settings: dict[str, Any]) -> dict[str, Any]:
    """The settings, with the tone curve of the capture's photos where it is stated."""
    tone = bench.instrument(capture.instrument).setting(capture.setting).tone
    return settings if tone is None else {**settings, "tone": tone}


def box_and_tone(bench: Bench, capture: Capture) -> dict[str, Any]:
    """Settings of a method that depends on the files, the box and how values relate to light."""
    return with_tone_curve(bench, capture, box_only(bench, capture))


def word_for(capture: Capture) -> Literal["filed", "said"]:
    """Whose word it is that a capture shows its scale or grid: being filed under one may be a mistake,
    a stated `pattern` is not."""
    return "filed" if capture.pattern == "auto" else "said"


def area(settings: Settings) -> tuple[int, int, int, int] | None:
    """The box in a method's settings, px of the upright photo; None for the whole photo."""
    box = settings["box"]
    return None if box is None else (box[0], box[1], box[2], box[3])


_kept: dict[Any, Any] | None = None


@contextmanager
def kept_in_mind() -> Iterator[None]:
    """While methods measure one capture in here, what several of them need is made once."""
    global _kept
    _kept = {}
    try:
        yield
    finally:
        _kept = None


def once(key: Any, make: Callable[[], T]) -> T:
    """What `make` gives, made once for each key within `kept_in_mind`. It must not be changed."""
    if _kept is None:
        return make()
    if key not in _kept:
        _kept[key] = make()
    found: T = _kept[key]
    return found


def photo_of(path: Path, tone: Tone | None = None) -> Photo:
    """The photo in a file, as `read_photo` gives it, of this tone curve where one is stated; decoded
    once for all methods of a capture."""
    photo = once(("photo", path), lambda: read_photo(path))
    return photo if tone is None else replace(photo, tone=tone, tone_stated=True)


def only_photo(paths: Sequence[Path], shown: str, tone: Tone | None = None) -> Photo:
    """The photo of a capture that has one; `shown` names it in the refusal of several."""
    if len(paths) != 1:
        raise NotMeasurable(f"a capture of {shown} is one photo; file each as its own capture")
    return photo_of(paths[0], tone)


def photo_facts(photo: Photo) -> dict[str, Any]:
    """What a photo's file states, for result files and reports."""
    return {
        "width": photo.width,
        "height": photo.height,
        "format": photo.facts.get("format"),
        "bits": photo.facts.get("bits"),
        "bytes": photo.facts.get("bytes"),
        "exif": dict(photo.facts.get("exif", {})),
    }
