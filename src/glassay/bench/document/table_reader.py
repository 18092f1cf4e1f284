"""Reading tables of `bench.toml` key by key, collecting every mistake with its line."""

from __future__ import annotations

import datetime
import difflib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any, Protocol, TypeVar

from glassay import units
from glassay.bench.document.line_numbers import Path
from glassay.errors import Unusable

T = TypeVar("T")

OWN_PREFIX = "x-"
"""How keys begin that no version of this program will ever read."""


@dataclass(frozen=True, slots=True, order=True)
class Mistake:
    """One thing that is wrong in `bench.toml`: its line (from 1) and what was expected."""

    line: int
    text: str

    def __str__(self) -> str:
        return f"bench.toml line {self.line}: {self.text}"


class BenchMistakes(Unusable):
    """`bench.toml` cannot be used as it stands; `mistakes` are in the order of their lines."""

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        self.mistakes = tuple(sorted(set(mistakes)))
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))


class Table:
    """One table of the document: hands out values by key and remembers which were asked for.

    Mistakes go into the shared list `mistakes`; a value that cannot be read counts as missing, so
    that one pass reports everything.
    """

    def __init__(
        self,
        data: Mapping[str, Any],
        place: Path,
        lines: Mapping[Path, int],
        mistakes: list[Mistake],
    ) -> None:
        self._data = data
        self._place = place
        self._lines = lines
        self._mistakes = mistakes
        self._known: list[str] = []

    def line(self, key: str | None = None) -> int:
        """The line of a key, or of the table itself when the key is not written."""
        place = self._place
        if key is not None and (*place, key) in self._lines:
            return self._lines[(*place, key)]
        while place and place not in self._lines:
            place = place[:-1]
        return self._lines.get(place, 1)

    def wrong(self, key: str | None, text: str) -> None:
        """Record a mistake at a key (or at the table itself)."""
        prefix = f"{key}: " if key is not None else ""
        self._mistakes.append(Mistake(self.line(key), prefix + text))

    def has(self, key: str) -> bool:
        """Whether the key is written."""
        return key in self._data

    def keys(self) -> tuple[str, ...]:
        """Every key that is written."""
        return tuple(self._data)

    def is_text(self, key: str) -> bool:
        """Whether the key's value is a text."""
        return isinstance(self._data.get(key), str)

    def raw(self, key: str) -> str:
        """The key's value as it is written, as text."""
        return str(self._data[key])

    def take(self, key: str, read: Callable[[object], T], default: T) -> T:
        """The value of a key through `read`, or `default` when it is absent or wrong."""
        found = self.maybe(key, read)
        return default if found is None else found

    def maybe(self, key: str, read: Callable[[object], T]) -> T | None:
        """The value of a key through `read`; None when it is absent or wrong."""
        self._known.append(key)
        if key not in self._data:
            return None
        try:
            return read(self._data[key])
        except Unusable as error:
            self.wrong(key, str(error))
            return None

    def need(self, key: str, read: Callable[[object], T], what: str) -> T | None:
        """Like `maybe`, and a mistake when the key is absent; `what` says what is expected."""
        if key not in self._data:
            self.wrong(None, f"{key} is missing; expected {what}")
        return self.maybe(key, read)

    def table(self, key: str) -> Table | None:
        """A sub-table; None when it is absent or no table."""
        self._known.append(key)
        if key not in self._data:
            return None
        data = self._data[key]
        if not isinstance(data, Mapping):
            self.wrong(key, f"expected a table, {{ ... }}, not {data!r}")
            return None
        return Table(data, (*self._place, key), self._lines, self._mistakes)

    def tables(self, key: str) -> list[Table]:
        """The members of an array of tables, [[key]]; empty when absent or no such array."""
        self._known.append(key)
        data = self._data.get(key, [])
        if not isinstance(data, list) or not all(isinstance(part, Mapping) for part in data):
            header = ".".join([str(p) for p in self._place if isinstance(p, str)] + [key])
            self.wrong(key, f"expected tables that each begin with [[{header}]]")
            return []
        return [
            Table(part, (*self._place, key, index), self._lines, self._mistakes)
            for index, part in enumerate(data)
        ]

    def finish(self) -> None:
        """Report keys that nothing asked for, with the nearest known one as a suggestion.

        Keys that begin with `OWN_PREFIX` are the writer's own: they mean nothing here, and stay.
        """
        for key in self._data:
            if key not in self._known and not key.startswith(OWN_PREFIX):
                self.wrong(key, f"unknown key; {suggestion(key, self._known)}")


class HasId(Protocol):
    """Anything with an id."""

    @property
    def id(self) -> str:
        """What the document calls it."""
        ...


Item = TypeVar("Item", bound=HasId)


def unique(
    what: str, tables: Sequence[Table], read: Callable[[Table], Item | None]
) -> tuple[Item, ...]:
    """Read tables whose ids must differ; `what` names one of them in the mistake."""
    seen: dict[str, int] = {}
    items = []
    for table in tables:
        item = read(table)
        if item is None:
            continue
        if item.id in seen:
            table.wrong("id", f"the {what} {item.id!r} stands already on line {seen[item.id]}")
        seen.setdefault(item.id, table.line("id"))
        items.append(item)
    return tuple(items)


def suggestion(word: str, known: Sequence[str]) -> str:
    """ "did you mean ...?", or the list of what is known."""
    near = difflib.get_close_matches(word.lower(), [k.lower() for k in known], n=1, cutoff=0.6)
    if near:
        match = next(k for k in known if k.lower() == near[0])
        return f"did you mean {match!r}?"
    return "expected one of " + ", ".join(sorted(set(known))) if known else "none is known"


def text(value: object) -> str:
    """A text. Raises `Unusable`."""
    if not isinstance(value, str):
        raise Unusable(f"{value!r} is not a text in quotes")
    return value.strip()


def some_text(value: object) -> str:
    """A text that is not empty. Raises `Unusable`."""
    found = text(value)
    if not found:
        raise Unusable("the text is empty")
    return found


def identifier(value: object) -> str:
    """An id: letters, digits, dots, hyphens and underscores. Raises `Unusable`."""
    found = some_text(value)
    if len(found) > 80 or not all(c.isalnum() or c in "._-" for c in found) or found[0] == ".":
        raise Unusable(
            f'{value!r} is not an id (letters, digits, "-", "_" and "." without spaces, at most 80)'
        )
    return found


def truth(value: object) -> bool:
    """true or false. Raises `Unusable`."""
    if not isinstance(value, bool):
        raise Unusable(f"{value!r} is not true or false (without quotes)")
    return value


def day(value: object) -> str:
    """A date, written as 2026-05-01 with or without quotes. Raises `Unusable`."""
    try:
        if isinstance(value, str):
            value = datetime.date.fromisoformat(value.strip())
    except ValueError:
        raise Unusable(f"{value!r} is not a date, like 2026-05-01") from None
    if not isinstance(value, datetime.date):
        raise Unusable(f"{value!r} is not a date, like 2026-05-01")
    return value.isoformat()


def whole(value: object) -> int:
    """A whole number of at least 1. Raises `Unusable`."""
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 10**9:
        raise Unusable(f"{value!r} is not a whole number from 1 up (without quotes)")
    return value


def number(value: object) -> float:
    """A positive number without unit. Raises `Unusable`."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e12:
        raise Unusable(f"{value!r} is not a positive number (without unit or quotes)")
    return float(value)


def choice(options: Sequence[str]) -> Callable[[object], Any]:
    """A reader that accepts one of `options`, in any case."""

    def read(value: object) -> str:
        for option in options:
            if isinstance(value, str) and value.strip().lower() == option.lower():
                return option
        expected = ", ".join(f'"{option}"' for option in options)
        near = suggestion(value, options) if isinstance(value, str) else ""
        hint = f" ({near})" if near.startswith("did you") else ""
        raise Unusable(f"{value!r} is not known{hint}; expected one of {expected}")

    return read


def positive(read: Callable[[object], float]) -> Callable[[object], float]:
    """The reader `read`, refusing 0 and negative values."""

    def read_positive(value: object) -> float:
        found = read(value)
        if found <= 0:
            raise Unusable(f"{value!r} is not above 0")
        return found

    return read_positive


length_um: Callable[[object], float] = positive(units.parse_length_um)
"""A length above 0, in um. Raises `Unusable`."""


def length_mm(value: object) -> float:
    """A length above 0, in mm. Raises `Unusable`."""
    return length_um(value) / 1000


def file_name(value: object) -> str:
    """A path inside the bench folder, with forward slashes. Raises `Unusable`."""
    name = some_text(value)
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or "\\" in name or "\0" in name or ":" in name[:2]:
        raise Unusable(
            f"{value!r} is not a path inside the bench folder with forward slashes,"
            ' like "captures/slide.jpg"'
        )
    return str(path)


def file_names(value: object) -> tuple[str, ...]:
    """A list of such paths, at least one. Raises `Unusable`."""
    if not isinstance(value, list) or not value:
        raise Unusable(f'{value!r} is not a list of files, like ["captures/a.jpg"]')
    names = tuple(file_name(part) for part in value)
    if len(set(names)) < len(names):
        raise Unusable("a file stands twice in the list")
    return names
