"""Mistakes in `bench.toml`: on which line each stands, and what was expected."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from glassay.bench.document.fields import NOT_WRITTEN, Table, fields_of
from glassay.bench.document.line_numbers import Path
from glassay.errors import Unusable

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails, ValidationError


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


@dataclass(frozen=True, slots=True)
class Lines:
    """The lines of a text: where each key and table stands."""

    of: Mapping[Path, int]

    def has(self, table: Path, key: str) -> bool:
        """Whether the key of a table is written."""
        return (*table, key) in self.of

    def at(self, table: Path, key: str | None = None) -> int:
        """The line of a key of a table, or of the table itself where the key is not written."""
        place = table if key is None else (*table, key)
        while place and place not in self.of:
            place = place[:-1]
        return self.of.get(place, 1)

    def wrong(self, table: Path, key: str | None, text: str) -> Mistake:
        """A mistake at a key of a table, or at the table itself."""
        return Mistake(self.at(table, key), text if key is None else f"{key}: {text}")


def mistakes_of(error: ValidationError, root: type[Table], lines: Lines) -> Iterator[Mistake]:
    """What pydantic found wrong with a document of class `root`, in our words."""
    for one in error.errors(include_url=False):
        place = one["loc"]
        if one["type"] == "missing":
            continue  # the table's own `amiss` says so, and what is expected
        if one["type"] == "dataclass_type" and isinstance(place[-1], int):
            yield _no_array(place[:-1], lines)
        elif one["type"] == "list_type":
            yield _no_array(place, lines)
        else:
            yield lines.wrong(*_in_words(one, *_table_at(root, place), lines))


def _no_array(place: Path, lines: Lines) -> Mistake:
    header = ".".join(part for part in place if isinstance(part, str))
    text = f"expected tables that each begin with [[{header}]]"
    return lines.wrong(place[:-1], str(place[-1]), text)


def _table_at(root: type[Table], place: Path) -> tuple[type[Table], Path, Path]:
    """The innermost table on the way to a place: its class, its place, and what is left."""
    table, depth = root, 0
    while depth < len(place) - 1:
        inner = [f.inner for f in fields_of(table) if f.key == place[depth] and f.inner is not None]
        if not inner:
            break
        table = inner[0].table
        depth += 2 if isinstance(place[depth + 1], int) else 1
    return table, place[:depth], place[depth:]


def _in_words(
    one: ErrorDetails, table: type[Table], place: Path, rest: Path, lines: Lines
) -> tuple[Path, str | None, str]:  # fmt: skip
    """Table, key and text of a mistake."""
    keys = {field.key: field for field in fields_of(table)}
    alone = {field.said.alone: field.key for field in keys.values() if field.said.alone}
    key = next((part for part in reversed(rest) if isinstance(part, str)), "")
    within = (*place, *rest[: rest.index(key)]) if key in rest else place
    kind, text = one["type"], one["msg"]
    if key in alone and kind == "unexpected_keyword_argument":
        return within, alone[key], f"{key} is given too; keep one of the two"
    if kind == "unexpected_keyword_argument" or text == NOT_WRITTEN:
        return within, key, f"unknown key; {suggestion(key, [*keys, *alone])}"
    if kind == "dataclass_type":
        return within, key, f"expected a table, {{ ... }}, not {one['input']!r}"
    if key in keys and keys[key].said.alone and not lines.has(within, key):
        key = keys[key].said.alone
    return within, key, text


def suggestion(word: str, known: Sequence[str]) -> str:
    """ "did you mean ...?", or the list of what is known."""
    near = difflib.get_close_matches(word.lower(), [k.lower() for k in known], n=1, cutoff=0.6)
    if near:
        match = next(k for k in known if k.lower() == near[0])
        return f"did you mean {match!r}?"
    return "expected one of " + ", ".join(sorted(set(known))) if known else "none is known"
