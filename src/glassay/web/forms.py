"""The forms in which `bench.toml` is edited: which fields each table has, and how they read."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from glassay.bench.document.claims import CLAIM_KINDS, OTHER
from glassay.bench.document.edit import Place
from glassay.bench.document.line_numbers import key_lines
from glassay.bench.document.model import INSTRUMENT_KINDS, OBJECT_KINDS
from glassay.bench.document.observed import observable
from glassay.bench.document.table_reader import Mistake
from glassay.errors import Unusable

Kind = Literal["text", "long", "yes or no", "number", "whole", "lines", "pairs"]
"""lines: several texts, one on each line; pairs: "name: value" on each line."""


@dataclass(frozen=True)
class Field:
    """One field. `key` may lead into an inline table ("price.list"); `alone` is the key under which
    a single one of several may be written instead."""

    key: str
    label: str
    hint: str = ""
    kind: Kind = "text"
    options: tuple[str, ...] = ()
    needed: bool = False
    alone: str = ""


@dataclass(frozen=True)
class Form:
    """One kind of table: what it is called, its fields, and what tables it may hold."""

    name: str
    fields: tuple[Field, ...]
    holds: tuple[str, ...] = ()


_NOTE = Field("note", "Note", kind="long")
_NAME = Field("name", "Name")
_FACTORS = (
    Field("objective", "Objective", "4x"),
    Field("zoom", "Zoom", "0.7x to 4.5x"),
    Field("auxiliary", "Auxiliary lens", "2x"),
    Field("tube", "Tube factor", "1x"),
    Field("eyepiece", "Eyepiece", "10x"),
    Field("field_number", "Field number", "20 mm"),
    Field("adapter", "Camera adapter", "0.5x"),
    Field("numerical_aperture", "Numerical aperture", "0.1", "number"),
)
_DISPLAY = (
    Field("display.diagonal", "Display, diagonal", "24 in"),
    Field("display.pixels", "Display, pixels", "1920 x 1080"),
)

FORMS: dict[str, Form] = {
    "bench": Form("The bench", (
        Field("title", "Title"), Field("note", "Note", kind="long"), *_DISPLAY,
        Field("reference_view.eyepiece", "Compared with an eyepiece of", "10x"),
        Field("reference_view.field_number", "and field number", "18 mm"),
        Field("reference_view.instrument", "or with the view of instrument", "its id"),
        Field("reference_view.setting", "in setting", "its id"),
    )),
    "object": Form("Reference object", (
        Field("id", "Id", "slide", needed=True),
        Field("kind", "Kind", options=OBJECT_KINDS, needed=True),
        _NAME,
        Field("division", "Division", "10 um"),
        Field("tolerance", "Stated tolerance", "0.2 %"),
        Field("certificate.division", "Certified division", "10.003 um"),
        Field("certificate.expanded", "Certified expanded uncertainty", "0.006 um"),
        Field("certificate.k", "its k", "2", "number"),
        Field("certificate.number", "Certificate number"),
        Field("sensor_of", "Pixel array: the sensor of instrument", "its id"),
        Field("mosaic", "Pixel array: under a colour mosaic", options=("auto", "colour", "none")),
        _NOTE,
    )),
    "instrument": Form("Instrument", (
        Field("id", "Id", "desk-stereo", needed=True),
        Field("kind", "Kind", options=INSTRUMENT_KINDS, needed=True),
        _NAME,
        Field("price.list", "List price", "420 EUR"), Field("price.paid", "Paid", "380 EUR"),
        Field("price.camera", "Camera, bought separately", "95 EUR"),
        Field("price.also", "What else must be bought", "ring light: 35 EUR", "pairs"),
        Field("power", "Power", "mains"),
        Field("standalone", "Works without computer or phone", kind="yes or no"),
        Field("clearance", "Free height above the object", "100 mm"),
        Field("illumination", "Light", "ring light"),
        Field("tone", "Tone curve of its photos", "srgb, linear, or an exponent like 2.2"),
        _NOTE,
    ), ("chain", "setting", "claim", "observation", "teardown")),
    "chain": Form("Optical chain, as stated", (
        *_FACTORS,
        Field("sensor_pitch", "Sensor pixel pitch", "3.4 um"),
        Field("sensor_pixels", "Sensor pixels", "1920 x 1080"),
        Field("sensor_width", "Sensor width", "5.6 mm"),
        *_DISPLAY,
        Field("wavelength", "Wavelength", "0.55 um"),
        Field("refractive_index", "Refractive index", "1", "number"),
    )),
    "setting": Form("Setting", (
        Field("id", "Id", "zoom-4.5", needed=True), _NAME, *_FACTORS,
        Field("digital_zoom", "Digital zoom", "1x"),
        Field("through_eyepiece", "Photographed through the eyepiece", kind="yes or no"),
        Field("for_chips", "Chips can be looked at in it", kind="yes or no"),
        Field("tone", "Tone curve of its photos, where it differs"),
        _NOTE,
    )),
    "claim": Form("Claim", (
        Field("kind", "Kind", options=(*CLAIM_KINDS, OTHER), needed=True),
        Field("value", "Value", "1600x", needed=True),
        Field("where", "Where it is stated", "box", needed=True),
        Field("quote", "In the seller's words"),
        Field("sense", "Kept when", options=("at least", "at most", "equal")),
        Field("tolerance", "The claim's own tolerance", "5 %"),
        Field("digital_zoom", "Digital zoom counted in", "4x"),
        Field("setting", "Only about setting", "its id"),
        Field("id", "Id"), _NOTE,
    )),
    "observation": Form("Observation", (
        Field("what", "What was seen", "the light cannot be dimmed"),
        Field("kind", "Makes it a fact of the comparison", options=observable()),
        Field("value", "Value"), Field("within", "May be off by", "5 min"),
        Field("date", "Date", "2026-05-01"),
        Field("at", "When in use it happened", "after 12 min"),
        Field("settles", "Decides the claim", "its id"),
        Field("holds", "and that claim is kept", kind="yes or no"), _NOTE,
    )),
    "teardown": Form("Part seen inside", (
        Field("part", "What it is", "image sensor", needed=True),
        Field("package", "Package"), Field("marking", "Marking, as read"),
        Field("photos", "Photos, files inside the bench folder", kind="lines", alone="photo"),
        Field("captures", "Captures that show it, by id", kind="lines", alone="capture"),
        Field("date", "Date", "2026-05-01"), _NOTE,
    )),
    "need": Form("Need", (
        Field("id", "Id", "solder-joints", needed=True),
        Field("statement", "What must be seen or done", kind="long", needed=True),
        Field("detail", "Finest detail", "2 um"), Field("contrast", "at a contrast of", "20 %"),
        Field("field", "Field width", "3 mm"), Field("clearance", "Free height", "60 mm"),
        Field("rate", "Frame rate", "15 fps"), Field("budget", "Budget", "200 EUR"),
        Field("power", "Power"),
        Field("standalone", "Without computer or phone", kind="yes or no"),
        _NOTE,
    )),
    "capture": Form("Capture", (
        Field("instrument", "Instrument", "its id", needed=True),
        Field("setting", "Setting", "its id"),
        Field("object", "Reference object", "its id", needed=True),
        Field("step", "Focus run: from picture to picture", "2 um"),
        Field("by_stage", "Focus run: steps made by a stage", kind="yes or no"),
        Field("note", "Note", kind="long"),
    )),
}  # fmt: skip
"""Every table of `bench.toml` that has a form, by its key."""


NEW = "new"
"""Last part of the place of a table that is not written yet."""


def form_of(place: Place) -> Form:
    """The form for a place. Raises `Unusable` where nothing is edited."""
    names = [part for part in place if isinstance(part, str) and part != NEW]
    if not names or names[-1] not in FORMS:
        raise Unusable("there is nothing to edit at this place")
    return FORMS[names[-1]]


def parse_place(text: str) -> Place:
    """Read "instrument.1.claim.0"."""
    parts = [part for part in text[:200].split(".") if part]
    return tuple(int(part) if part.isascii() and part.isdigit() else part for part in parts)


def say_place(place: Place) -> str:
    """The inverse of `parse_place`."""
    return ".".join(str(part) for part in place)


def shown(form: Form, table: Mapping[str, Any]) -> dict[str, str]:
    """The table's values as they stand in the form's fields."""
    return {field.key: _said(_value(field, table)) for field in form.fields}


def _value(field: Field, table: Mapping[str, Any]) -> Any:
    head, dot, rest = field.key.partition(".")
    value = table.get(head, table.get(field.alone) if field.alone else None)
    if not dot:
        return value
    if isinstance(value, Mapping):
        return value.get(rest)
    return value if rest == "diagonal" else None  # display = "24 in": the diagonal alone


def _said(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return "\n".join(f"{name}: {one}" for name, one in value.items())
    if isinstance(value, list):
        return "\n".join(str(one) for one in value)
    return str(value)


class FormMistakes(Unusable):
    """Fields that cannot be read; `by_field` says what is wrong with each, by its key."""

    def __init__(self, by_field: Mapping[str, str]) -> None:
        self.by_field = dict(by_field)
        super().__init__("; ".join(self.by_field.values()))


def changed(form: Form, table: Mapping[str, Any], given: Mapping[str, str]) -> dict[str, Any]:
    """The values to set: those whose field says something else than the table. None takes away.

    Raises `FormMistakes` for fields that cannot be read.
    """
    before = shown(form, table)
    out: dict[str, Any] = {}
    mistakes: dict[str, str] = {}
    for field in form.fields:
        text = plain(given.get(field.key, before[field.key]))
        if text == plain(before[field.key]):
            continue
        try:
            value = _read(field, text)
        except Unusable as error:
            mistakes[field.key] = str(error)
            continue
        head, dot, rest = field.key.partition(".")
        if not dot:
            out[head] = value
            if field.alone in table:
                out[field.alone] = None
            continue
        old = table.get(head)
        inner = out.get(head) or (dict(old) if isinstance(old, Mapping) else {})
        if isinstance(old, str) and head not in out:
            inner = {"diagonal": old}
        inner = {**inner, rest: value}
        out[head] = {k: v for k, v in inner.items() if v is not None} or None
    if mistakes:
        raise FormMistakes(mistakes)
    return out


def plain(text: str) -> str:
    """A field's text as it counts: browsers send lines their own way."""
    return text.strip().replace("\r\n", "\n")


def merged(
    form: Form, before: Mapping[str, str], now: Mapping[str, str], given: Mapping[str, str]
) -> dict[str, str]:
    """What the person wrote where they wrote something, and what stands there now elsewhere."""
    return {
        field.key: given[field.key]
        if field.key in given and plain(given[field.key]) != plain(before.get(field.key, ""))
        else now[field.key]
        for field in form.fields
    }  # fmt: skip


def fields_wrong(
    form: Form, place: Place, after: str, mistakes: Sequence[Mistake]
) -> tuple[dict[str, str], list[str]]:
    """What is wrong with which field, by its key; and what no field of this form is to blame for.

    `after` is the text to whose lines the mistakes refer, `place` where the form's table is in it.
    """
    lines = key_lines(after)
    wrong: dict[str, str] = {}
    left: list[str] = []
    for mistake in mistakes:
        name, _, said = mistake.text.partition(": ")
        here = [
            field.key for field in form.fields
            if lines.get((*place, *field.key.split("."))) == mistake.line
        ]  # fmt: skip
        named = [key for key in here if name in (key, *key.split("."))]  # of one inline table
        missing = [
            field.key for field in form.fields
            if lines.get(place) == mistake.line and name.startswith(f"{field.key} is missing")
        ]  # fmt: skip
        key = next(iter((*named, *missing, *here)), None)
        if key is None:
            left.append(mistake.text)
        else:
            wrong.setdefault(key, said or mistake.text)
    return wrong, left


def _read(field: Field, text: str) -> Any:
    if not text:
        return None
    if field.kind == "yes or no":
        return text == "yes"
    if field.kind in ("lines", "pairs"):
        lines = [line.strip() for line in text.splitlines() if line.strip()]
        return lines if field.kind == "lines" else dict(_pair(field, line) for line in lines)
    if field.kind in ("number", "whole"):
        try:
            number = float(text)
        except ValueError:
            raise Unusable(f"{text[:60]!r} is not a number") from None
        if not math.isfinite(number):
            raise Unusable(f"{text[:60]!r} is not a number that can be kept")
        return int(number) if number.is_integer() else number
    return text


def _pair(field: Field, line: str) -> tuple[str, str]:
    name, colon, value = line.rpartition(":")
    if not (colon and name.strip() and value.strip()):
        raise Unusable(f"{line[:60]!r} is not like {field.hint!r}")
    return name.strip(), value.strip()
