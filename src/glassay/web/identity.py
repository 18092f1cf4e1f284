"""Which table of `bench.toml` a form is about, told by what the table holds and not by its place.

While a form is open, others edit: the third claim may be the second by the time it is saved. A form
therefore carries what its table held when it was opened (`Origin`), and the table is looked for by
that. Tables with an id are known by it; others by their content; a changed one by what it is about, as
long as only one is about that, or while all its neighbours are as they were and much of it is left.
Where that does not settle it, nothing is written.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from glassay.bench.document.edit import Place
from glassay.errors import Unusable


@dataclass(frozen=True)
class Origin:
    """A table as it was when its form was opened: for each list that leads to it, the position, and
    the marks of all its members; and the values of the table itself."""

    lists: tuple[tuple[int, tuple[str, ...]], ...]
    ids: tuple[str, ...]
    """What the member at that position is called, "" for one without a name."""
    values: Mapping[str, str]
    """What the fields of the form showed."""
    whole: str
    """A mark of all that the table holds, with the tables within."""

    def as_text(self) -> str:
        """For a hidden field of the form."""
        return json.dumps([self.lists, self.ids, dict(self.values), self.whole])

    @classmethod
    def of_text(cls, text: str) -> Origin:
        """The inverse. Raises `Unusable`."""
        try:
            lists, ids, values, whole = json.loads(text)
            if len(lists) != len(ids):
                raise ValueError
            return cls(
                tuple((int(n), tuple(str(mark) for mark in marks)) for n, marks in lists),
                tuple(str(one) for one in ids),
                {str(key): str(value) for key, value in values.items()},
                str(whole),
            )
        except (ValueError, TypeError, AttributeError, RecursionError):
            raise Unusable("this form is not one of the workbench's; please open it anew") from None


def origin_of(data: Mapping[str, Any], place: Place, values: Mapping[str, str]) -> Origin:
    """What a form opened now carries; `values` are what its fields show."""
    lists, ids = [], []
    found: Any = data
    for part in place:
        if isinstance(part, int):
            lists.append((part, tuple(mark_of(one) for one in found)))
            ids.append(_only_name(found, part))
            found = found[part]
        else:
            found = found.get(part, {}) if isinstance(found, Mapping) else {}
    return Origin(tuple(lists), tuple(ids), values, whole_of(found))


ABOUT = (("kind", "where"), ("part",), ("what",))
"""What tables without an id are about: claims, parts seen inside, what else is written down."""


def _id_of(table: Mapping[str, Any]) -> str:
    """What a table is called: its id, the files of a capture without one, or what it is about."""
    about = next((" ".join(str(table[key]) for key in keys) for keys in ABOUT
                  if all(table.get(key) for key in keys)), "")  # fmt: skip
    return str(table.get("id") or table.get("file") or table.get("files") or about)


def _only_name(tables: Sequence[Mapping[str, Any]], position: int) -> str:
    """What one is called where no other is called so."""
    name = _id_of(tables[position])
    return name if [_id_of(one) for one in tables].count(name) == 1 else ""


def is_named(table: Mapping[str, Any]) -> bool:
    """Whether a table has a name of its own, beside what it is about."""
    return any(table.get(key) for key in ("id", "file", "files"))


def name_of(data: Mapping[str, Any], place: Place) -> str:
    """What a table goes by while others may move it: names, and where it has none what it holds."""
    parts: list[str] = []
    found: Any = data
    for part in place:
        if isinstance(part, int):
            found = found[part]
            parts.append(_id_of(found) if is_named(found) else mark_of(found))
        else:
            found = found.get(part, {}) if isinstance(found, Mapping) else {}
            parts.append(part)
    return " ".join(parts)


def are_akin(before: Mapping[str, str], now: Mapping[str, str]) -> bool:
    """Whether at least half of what a form showed is still there, so that it is about the same."""
    said = [key for key, value in before.items() if value]
    same = sum(now.get(key) == before[key] for key in said)
    return 2 * same >= len(said)


def whole_of(table: Any) -> str:
    """A short name for everything in a table."""
    return _hash(table)


def mark_of(table: Mapping[str, Any]) -> str:
    """A short name for the own values of a table, without the tables it holds in lists."""
    own = {key: value for key, value in table.items() if not _is_list_of_tables(value)}
    return _hash(own)


def _hash(value: Any) -> str:
    text = json.dumps(value, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def _is_list_of_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], Mapping)


def place_now(data: Mapping[str, Any], place: Place, origin: Origin) -> Place | None:
    """Where the form's table stands by now; None where that cannot be said for sure."""
    steps = list(zip(origin.lists, origin.ids, strict=True))
    if len(steps) != sum(isinstance(part, int) for part in place):
        return None
    out: list[str | int] = []
    found: Any = data
    for part in place:
        if not isinstance(part, int):
            found = found.get(part, {}) if isinstance(found, Mapping) else {}
            out.append(part)
            continue
        (_, marks), known_id = steps.pop(0)
        now = _position(found if isinstance(found, Sequence) else (), part, marks, known_id)
        if now is None:
            return None
        out.append(now)
        found = found[now]
    return tuple(out)


def _position(
    tables: Sequence[Mapping[str, Any]], position: int, marks: Sequence[str], known_id: str
) -> int | None:
    if not 0 <= position < len(marks):
        return None
    now = [mark_of(one) for one in tables]
    same = [n for n, mark in enumerate(now) if mark == marks[position]]
    if position in same and now == list(marks):  # twins are told apart by their place
        return position
    if len(same) == 1 and list(marks).count(marks[position]) == 1:
        return same[0]
    if known_id:
        named = [n for n, one in enumerate(tables) if _id_of(one) == known_id]
        if len(named) == 1:
            return named[0]
    others = [*marks[:position], *marks[position + 1 :]]
    unmoved = position < len(now) and [*now[:position], *now[position + 1 :]] == others
    return position if unmoved else None
