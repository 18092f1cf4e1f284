"""The forms in which `bench.toml` is edited, made of what its tables say of their fields."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from glassay.bench.document.edit import Place
from glassay.bench.document.fields import Kind, Table, fields_of
from glassay.bench.document.line_numbers import key_lines
from glassay.bench.document.mistakes import Mistake
from glassay.bench.document.model import Document
from glassay.errors import Unusable


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


def _forms(table: type[Table]) -> Iterator[tuple[str, Form]]:
    """The forms of all tables within, by their keys."""
    for field in fields_of(table):
        inner = None if field.inner is None else field.inner.table
        if inner is not None and inner.form_name:
            held = tuple(key for key, _ in _forms(inner))
            yield field.key, Form(inner.form_name, tuple(fields_in(inner)), held)
            yield from _forms(inner)


def fields_in(table: type[Table], within: str = "") -> Iterator[Field]:
    """The fields of a table's form, with those of inline tables within it."""
    for field in fields_of(table):
        said, reads = field.said, field.reads
        if field.inner is not None and not field.inner.table.form_name:
            yield from fields_in(field.inner.table, f"{field.key}.")
        elif said.label and reads is not None:
            yield Field(
                within + field.key, said.label, said.hint, reads.kind,
                reads.options(), bool(said.needed) and not within, said.alone,
            )  # fmt: skip


FORMS = dict(_forms(Document))
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
