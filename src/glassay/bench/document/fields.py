"""How a field of `bench.toml` is declared: once, beside the type of what is kept of it.

The tables of `bench.toml` are dataclasses whose annotations carry what stands here. Documents are read
and checked by them (`glassay.bench.document.tables`), mistakes quote them, the workbench makes its
forms of them. Tables and literals say by their type how they are read; another field that carries
nothing is worked out of others and never written.

    @dataclass(frozen=True, slots=True)
    class Lamp(Table):
        power_w: Annotated[float | None, Reads(watts), Said("Power", "5 W")] = None
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import MISSING, dataclass, fields
from types import UnionType
from typing import Annotated, Any, ClassVar, Literal, Union, get_args, get_origin, get_type_hints

from glassay.bench.document.line_numbers import Path
from glassay.bench.document.mistakes import suggestion
from glassay.errors import Unusable

Kind = Literal["text", "long", "yes or no", "number", "lines", "pairs"]
"""How a field stands in a form. lines: several texts, one on each line; pairs: "name: value" on each
line."""

Row = Mapping[str, Any]
"""A table as it is written."""

Amiss = tuple[str | Path | None, str]
"""What is wrong with a table: at which key (or place within; None: the table itself), and what."""


ITS_ID = "its id"
"""The hint of a field that names something else in the document."""


@dataclass(frozen=True, slots=True)
class Said:
    """What people are told of a field: its label in forms ("" where it stands in none), an example
    of what to write, and, where it may not be left out, what is expected (like the example).

    `key` is how it is written where that is not its name, without its unit and in the singular;
    `alone` is the key under which a single one of several may be written instead.
    """

    label: str = ""
    hint: str = ""
    needed: str | Callable[[Row], str] = ""
    alone: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class Reads:
    """How a value is read: `read` turns what TOML holds into what is kept, or raises `Unusable`.
    `kind` is how such a value stands in a form, `options` what it offers."""

    read: Callable[[object], Any]
    kind: Kind = "text"
    options: Callable[[], tuple[str, ...]] = tuple


def choice(options: Callable[[], tuple[str, ...]]) -> Reads:
    """One of these words, in any case of letters. (A `Literal` says so itself.)"""

    def read(value: object) -> str:
        for option in options():
            if isinstance(value, str) and value.strip().lower() == option.lower():
                return option
        expected = ", ".join(f'"{option}"' for option in options())
        near = suggestion(value, options()) if isinstance(value, str) else ""
        hint = f" ({near})" if near.startswith("did you") else ""
        raise Unusable(f"{value!r} is not known{hint}; expected one of {expected}")

    return Reads(read, options=options)


@dataclass(frozen=True, slots=True)
class Inner:
    """A table within: of which class, whether it is an array of tables, and how a text in its place is
    read."""

    table: type[Table]
    many: bool = False
    text: Callable[[object], Any] | None = None


class Table:
    """What all tables of `bench.toml` have in common."""

    __slots__ = ()
    form_name: ClassVar[str] = ""
    """What one is called in the workbench; "" where it has no form of its own."""

    @classmethod
    def settle(cls, got: dict[str, Any], row: Row) -> Iterator[Amiss]:
        """Hold what could be read of a row against each other, telling what is wrong, and put what
        follows from it into `got`."""
        yield from ()

    def kept(self) -> Any:
        """What is kept of it where it stands within another table."""
        return self


@dataclass(frozen=True, slots=True)
class Field:
    """What a table's class says of one field."""

    name: str
    key: str
    has_default: bool
    said: Said
    reads: Reads | None
    inner: Inner | None

    def expected(self, row: Row) -> str:
        """What is expected where it is missing from a row."""
        if not isinstance(self.said.needed, str):
            return self.said.needed(row)
        is_example = self.said.hint not in ("", ITS_ID)
        return self.said.needed + (f', like "{self.said.hint}"' if is_example else "")


_FIELDS: dict[type, tuple[Field, ...]] = {}


def fields_of(table: type[Table]) -> tuple[Field, ...]:
    """Every field of a table that can be written, in the order of forms."""
    if table not in _FIELDS:
        _FIELDS[table] = tuple(_declared(table))
    return _FIELDS[table]


def _declared(table: Any) -> Iterator[Field]:
    hints = get_type_hints(table, include_extras=True)
    for one in fields(table):
        given = {type(part): part for part in _carried(hints[one.name])}
        said, reads, inner = given.get(Said, Said()), given.get(Reads), given.get(Inner)
        if reads is not None or inner is not None:
            name = re.sub(r"_(um|mm|per_s)$", "", one.name)
            key = said.key or (name.removesuffix("s") if inner is not None and inner.many else name)
            yield Field(one.name, key, one.default is not MISSING, said, reads, inner)


def _carried(hint: Any) -> list[Any]:
    """What an annotation carries, the outermost last; literals and tables carry what they are."""
    if isinstance(hint, type) and issubclass(hint, Table):
        return [Inner(hint)]
    kind, within = get_origin(hint), get_args(hint)
    if kind is Literal:
        return [choice(lambda: within)]
    if kind is Annotated:
        return [*_carried(within[0]), *within[1:]]
    if kind in (UnionType, Union):
        return [part for one in within for part in _carried(one)]
    inner = _carried(within[0]) if kind is tuple else []
    return [Inner(part.table, many=True) for part in inner if isinstance(part, Inner)]
