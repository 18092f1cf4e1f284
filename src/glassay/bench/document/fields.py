"""How a field of `bench.toml` is declared: once, beside the type of what is kept of it.

The tables of `bench.toml` are dataclasses whose annotations carry what stands here. Pydantic reads
documents by them (`glassay.bench.document.read`), mistakes quote them, and the workbench makes its
forms of them. Pydantic itself is loaded when a bench is read, not with this module.

    @dataclass(frozen=True, slots=True)
    class Lamp(Table):
        power_w: Annotated[float | None, Reads(watts), Said("Power", "5 W")] = None
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Annotated, Any, ClassVar, Literal, get_args, get_origin, get_type_hints

from glassay.errors import Unusable

Kind = Literal["text", "long", "yes or no", "number", "lines", "pairs"]
"""How a field stands in a form. lines: several texts, one on each line; pairs: "name: value" on each
line."""

Row = Mapping[str, Any]
"""A table as it is written."""

Amiss = tuple[str | None, str]
"""What is wrong with a table: with which of its keys (None: with the table itself), and what."""

OWN_PREFIX = "x-"
"""How keys begin that no version of this program will ever read."""


@dataclass(frozen=True, slots=True)
class Said:
    """What people are told of a field: its label in forms ("" where it stands in none), an example
    of what to write, and, where it may not be left out, what is expected.

    `alone` is the key under which a single one of several may be written instead.
    """

    label: str = ""
    hint: str = ""
    kind: Kind | None = None
    needed: str | Callable[[Row], str] = ""
    alone: str = ""


@dataclass(frozen=True, slots=True)
class Reads:
    """How a value is read: `read` turns what TOML holds into what is kept, or raises `Unusable`.
    `kind` is how such a value stands in a form, `options` what it offers."""

    read: Callable[[object], Any]
    kind: Kind = "text"
    options: Callable[[], tuple[str, ...]] = tuple

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        return core_schema.no_info_plain_validator_function(_telling(self.read))


@dataclass(frozen=True, slots=True)
class Checks:
    """A value is held against fields of its table that stand before it: `check` gets it and those that
    could be read, by name, and returns what is kept or raises `Unusable` or `Misplaced`."""

    check: Callable[[Any, Mapping[str, Any]], Any]

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        def check(value: Any, info: Any) -> Any:
            return _telling(self.check)(value, info.data)

        return core_schema.with_info_after_validator_function(check, handler(source))


@dataclass(frozen=True, slots=True)
class Inner:
    """A table within: of which class, whether it is an array of tables, and whether it has a form of
    its own. `then` turns what was read into what is kept; `also` reads what is no table."""

    table: type[Table]
    many: bool = False
    own_form: bool = False
    then: Callable[[Any], Any] | None = None
    also: Callable[[str], Any] | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        schema = handler.generate_schema(self.table)
        if self.many:
            schema = core_schema.list_schema(schema)
            return core_schema.no_info_after_validator_function(tuple, schema)
        if self.then is not None:
            schema = core_schema.no_info_after_validator_function(_telling(self.then), schema)
        if self.also is None:
            return schema
        read, inner = _telling(self.also), schema

        def wrap(value: Any, handler: Any) -> Any:
            return read(value) if isinstance(value, str) else handler(value)

        return core_schema.no_info_wrap_validator_function(wrap, inner)


@dataclass(frozen=True, slots=True)
class Derived:
    """A field that is worked out of others: it is not written."""

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        return Reads(_refuse).__get_pydantic_core_schema__(source, handler)


NOT_WRITTEN = "it is not written"


def _refuse(value: object) -> None:
    raise Unusable(NOT_WRITTEN)


class Misplaced(Unusable):
    """Mistakes within a value: where each stands, from the value on, and what is wrong."""

    def __init__(self, *found: tuple[tuple[str | int, ...], str]) -> None:
        self.found = found
        super().__init__("; ".join(text for _, text in found))


def _telling(read: Callable[..., Any]) -> Callable[..., Any]:
    """The reader `read`, raising what pydantic collects."""

    def telling(*values: Any) -> Any:
        from pydantic_core import PydanticCustomError, ValidationError

        def told(text: str) -> PydanticCustomError:
            return PydanticCustomError("told", "{text}", {"text": text})

        try:
            return read(*values)
        except Misplaced as error:
            raise ValidationError.from_exception_data(
                "", [{"type": told(text), "loc": place, "input": None}
                     for place, text in error.found],
            ) from None  # fmt: skip
        except Unusable as error:
            raise told(str(error)) from None

    return telling


def config(**keys: str) -> dict[str, Any]:
    """Pydantic's configuration of a table: unknown keys are mistakes, and a field is written under its
    name without the unit in which it is kept, except for those whose `keys` are given."""

    def key(name: str) -> str:
        for unit in ("_um", "_mm", "_per_s"):
            name = name.removesuffix(unit)
        return keys.get(name, name)

    return {"extra": "forbid", "alias_generator": key}


class Table:
    """What all tables of `bench.toml` have in common."""

    __slots__ = ()
    __pydantic_config__: ClassVar[dict[str, Any]] = config()
    form_name: ClassVar[str] = ""
    """What one is called in the workbench."""

    @classmethod
    def amiss(cls, row: Row) -> Iterator[Amiss]:
        """What is wrong with which keys are there, whatever their values."""
        yield from ()


def missing(table: type[Table], row: Row) -> Iterator[Amiss]:
    """Keys that are needed and not written."""
    for field in fields_of(table):
        if (needed := field.said.needed) and field.key not in row:
            expected = needed if isinstance(needed, str) else needed(row)
            yield None, f"{field.said.alone or field.key} is missing; expected {expected}"


@dataclass(frozen=True, slots=True)
class Field:
    """What a table's class says of one field."""

    name: str
    key: str
    said: Said
    reads: Reads | None = None
    inner: Inner | None = None


def _carried(hint: Any) -> list[Any]:
    """What an annotation carries, the outermost last."""
    inner, own = get_args(hint), []
    if get_origin(hint) is Annotated:
        inner, own = inner[:1], list(inner[1:])
    return [part for one in inner for part in _carried(one)] + own


_FIELDS: dict[type, tuple[Field, ...]] = {}


def fields_of(table: type[Table]) -> tuple[Field, ...]:
    """Every field of a table that can be written, in the order of forms."""
    if table not in _FIELDS:
        _FIELDS[table] = tuple(_declared(table))
    return _FIELDS[table]


def _declared(table: Any) -> Iterator[Field]:
    hints = get_type_hints(table, include_extras=True)
    key = table.__pydantic_config__["alias_generator"]
    for one in fields(table):
        given: dict[type, Any] = {Said: Said(), Reads: None, Inner: None}
        given |= {type(part): part for part in _carried(hints[one.name])}
        if Derived not in given:
            yield Field(one.name, key(one.name), given[Said], given[Reads], given[Inner])


def tidied(table: type[Table], row: Row) -> dict[str, Any]:
    """The row as pydantic takes it: without the writer's own keys, and a list where one of several was
    written alone."""
    out = {key: value for key, value in row.items() if not key.startswith(OWN_PREFIX)}
    for field in fields_of(table):
        if field.said.alone in out and field.key not in out:
            out[field.key] = [out.pop(field.said.alone)]
    for field, inner in inner_tables(table, out):
        value = out[field.key]
        if isinstance(value, list):
            value = [tidied(inner, one) if isinstance(one, Mapping) else one for one in value]
        out[field.key] = tidied(inner, value) if isinstance(value, Mapping) else value
    return out


def inner_tables(table: type[Table], row: Row) -> Iterator[tuple[Field, type[Table]]]:
    """The fields of a row that hold tables, and of which class those are."""
    for field in fields_of(table):
        if field.inner is not None and field.key in row:
            yield field, field.inner.table


def each_table(
    table: type[Table], row: Row, place: tuple[str | int, ...] = ()
) -> Iterator[tuple[type[Table], Row, tuple[str | int, ...]]]:
    """A table and all tables within, each with its place."""
    yield table, row, place
    for field, inner in inner_tables(table, row):
        value = row[field.key]
        if isinstance(value, Mapping):
            yield from each_table(inner, value, (*place, field.key))
        elif isinstance(value, list):
            for index, one in enumerate(value):
                if isinstance(one, Mapping):
                    yield from each_table(inner, one, (*place, field.key, index))
