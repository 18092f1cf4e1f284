"""Reading the tables of `bench.toml` by what their classes declare, collecting every mistake."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from glassay.bench.document.fields import Field, Row, Table, fields_of
from glassay.bench.document.line_numbers import Path
from glassay.bench.document.mistakes import Mistakes, suggestion
from glassay.bench.document.values import a_table
from glassay.errors import Unusable

T = TypeVar("T", bound=Table)

OWN_PREFIX = "x-"
"""How keys begin that no version of this program will ever read."""


def read_table(table: type[T], row: Row, place: Path, wrong: Mistakes) -> T:
    """A row of the document, which stands at a place, as its class has it.

    Mistakes are added to `wrong`. What then lacks is None, whatever its type: such a table serves to
    check others against, so that one pass tells everything, and is dropped with the document.
    """
    got: dict[str, Any] = {}
    known: list[str] = []
    for field in fields_of(table):
        said, alone = field.said, field.said.alone
        known += [field.key, alone] if alone else [field.key]
        if alone in row and field.key in row:
            wrong.add(place, field.key, f"{alone} is given too; keep one of the two")
        key = alone if alone in row else field.key
        if key in row:
            value = row[key] if key == field.key else [row[key]]
            try:
                got[field.name] = _read(field, value, (*place, key), wrong)
            except Unusable as error:
                wrong.add(place, key, str(error))
        elif said.needed:
            text = f"{alone or key} is missing; expected {field.expected(row)}"
            wrong.add(place, None, text)
    for key in row:
        if key not in known and not key.startswith(OWN_PREFIX):
            wrong.add(place, key, f"unknown key; {suggestion(key, known)}")
    for at, text in table.settle(got, row):
        wrong.add(place, at, text)
    lacking = [field.name for field in fields_of(table) if not field.has_default]
    return table(**{**dict.fromkeys(lacking), **got})


def _read(field: Field, value: Any, place: Path, wrong: Mistakes) -> Any:
    inner = field.inner
    if inner is None:
        assert field.reads is not None
        return field.reads.read(value)
    if inner.text is not None and isinstance(value, str):
        return inner.text(value)
    if not inner.many:
        return read_table(inner.table, a_table(value), place, wrong).kept()
    if not isinstance(value, list) or not all(isinstance(part, Mapping) for part in value):
        header = ".".join(part for part in place if isinstance(part, str))
        raise Unusable(f"expected tables that each begin with [[{header}]]")
    rows = [read_table(inner.table, row, (*place, n), wrong) for n, row in enumerate(value)]
    if any(field.name == "id" and field.said.needed for field in fields_of(inner.table)):
        _check_ids(inner.table, rows, place, wrong)
    return tuple(rows)


def _check_ids(table: type[Table], rows: Sequence[Any], place: Path, wrong: Mistakes) -> None:
    seen: dict[str, int] = {}
    for n, row in enumerate(rows):
        if row.id in seen:
            text = f"the {table.form_name.lower()} {row.id!r} stands already on line {seen[row.id]}"
            wrong.add((*place, n), "id", text)
        elif row.id is not None:
            seen[row.id] = wrong.line((*place, n, "id"))
