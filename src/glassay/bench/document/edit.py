"""Changing single values of a file in TOML, with everything else kept as it was written.

A place is a tuple of keys and positions, `("instrument", 1, "claim", 0)`. Every change is checked
twice before it is handed back: the new text must read as a bench, and as data it must differ from
the old one in nothing but the change.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, InlineTable, Table

from glassay.bench.document.mistakes import BenchMistakes
from glassay.bench.document.read import FILE_NAME, parse_bench, parse_toml, read_document
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.one_writer import one_writer

Place = tuple[str | int, ...]
Values = Mapping[str, Any]
"""Keys with their new values; None takes a key away. Tables stand for inline tables."""


class Conflict(Unusable):
    """`bench.toml` changed on disk since it was read."""


class NotAccepted(BenchMistakes):
    """A change that would have made `bench.toml` wrong, and was not written. The lines are those of
    the text as it would have been."""


def set_values(text: str, place: Place, values: Values) -> str:
    """The text with the keys of one table set. Raises `Unusable` for a place that is not there."""
    document = tomlkit.parse(text)
    plain = tomllib.loads(text)
    _set(_table(document, place), _table(plain, place), values)
    return _checked(tomlkit.dumps(document), plain)


def _set(table: Any, same: dict[str, Any], values: Values) -> None:
    for key, value in values.items():
        if value is None:
            if key in same:
                del table[key]
                del same[key]
        elif isinstance(value, Mapping) and isinstance(same.get(key), dict):
            gone = {inner: None for inner in same[key] if inner not in value}
            _set(table[key], same[key], {**gone, **value})
        elif key not in same or same[key] != value:
            table[key] = _item(value)
            same[key] = copy.deepcopy(value)


def add_table(text: str, parent: Place, name: str, values: Values) -> str:
    """The text with one more `[[name]]` under `parent`, after those that are there."""
    document = tomlkit.parse(text)
    plain = tomllib.loads(text)
    entry = tomlkit.table()
    wanted = {key: value for key, value in values.items() if value is not None}
    for key, value in wanted.items():
        entry.add(key, _item(value))
    _table(plain, parent).setdefault(name, []).append(copy.deepcopy(wanted))
    if not parent:  # at the end of the text a new block disturbs nothing
        ending = "" if text.endswith("\n") or not text else "\n"
        block = tomlkit.dumps({name: [wanted]} if not wanted else _document_of(name, entry))
        return _checked(f"{text}{ending}\n{block}", plain)
    table = _table(document, parent)
    if name not in table:
        table.append(name, tomlkit.aot())
    entry.add(tomlkit.nl())
    table[name].append(entry)
    return _checked(tomlkit.dumps(document), plain)


def remove_table(text: str, place: Place) -> str:
    """The text without one table of an array, or without one plain table."""
    document = tomlkit.parse(text)
    plain = tomllib.loads(text)
    *above, last = place
    holder, same = _table(document, tuple(above)), _table(plain, tuple(above))
    del holder[last]
    del same[last]
    if isinstance(last, int) and not same:
        outer, name = tuple(above[:-1]), above[-1]
        del _table(document, outer)[name]
        del _table(plain, outer)[name]
    return _checked(tomlkit.dumps(document), plain)


def write_text(folder: Path, before: str, after: str) -> None:
    """Write a changed `bench.toml`, after checking that it is one.

    Raises `NotAccepted` when it would not be a bench, and `Conflict` when the file is no longer
    as it was in `before`; who holds the folder (`one_writer`) from reading to writing meets none.
    """
    try:
        parse_bench(after, folder)
    except BenchMistakes as error:
        raise NotAccepted(error.mistakes) from None
    with one_writer(folder):
        if read_document(folder) != before:
            raise Conflict(f"{FILE_NAME} was changed by someone else meanwhile")
        write_atomically((folder / FILE_NAME).resolve(), after.encode())


def _document_of(name: str, entry: Table) -> tomlkit.TOMLDocument:
    document = tomlkit.document()
    several = tomlkit.aot()
    several.append(entry)
    document.add(name, several)
    return document


def _table(holder: Any, place: Place) -> Any:
    try:
        for part in place:
            if isinstance(part, str) and part not in holder:
                holder[part] = tomlkit.table() if isinstance(holder, Table | AoT) else {}
            holder = holder[part]
    except (KeyError, IndexError, TypeError):
        raise Unusable(f"the file holds nothing at {'.'.join(map(str, place))}") from None
    return holder


def _item(value: Any) -> Any:
    if not isinstance(value, Mapping):
        return tomlkit.item(value)
    table: InlineTable = tomlkit.inline_table()
    for key, inner in value.items():
        table.append(key, _item(inner))
    return table


def _checked(after: str, wanted: dict[str, Any]) -> str:
    after = re.sub(r"\n{4,}", "\n\n\n", after)
    if parse_toml(after) != wanted:
        raise Unusable(
            "this change cannot be made without touching other lines of the file;"
            " please make it in the file itself"
        )
    return after
