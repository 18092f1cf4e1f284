"""Finding chips in the index: by words in any or in one place, by size, finest line and region."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

MOST_FOUND = 1000
"""Chips that one search gives at most; more are nothing that a person looks through."""

Range = tuple[float | None, float | None]
WORD_FIELDS = ("marking", "maker", "package", "instruments")


@dataclass(frozen=True)
class Query:
    """What is asked for; all of it must hold. `words` stand anywhere, `within` only in the named one of
    `WORD_FIELDS`; ranges are in um, open where None; `size_um` bounds the longer side of the die."""

    words: str = ""
    within: Mapping[str, str] = field(default_factory=dict)
    size_um: Range = (None, None)
    finest_um: Range = (None, None)
    region: str = ""
    most: int = MOST_FOUND


@dataclass(frozen=True)
class Hit:
    """A chip that was found. Sizes in um, None where the die is not measured, and then the reason;
    `picture` names file and outline."""

    folder: Path
    chip: str
    title: str
    marking: str
    maker: str
    package: str
    instruments: str
    width_um: float | None
    height_um: float | None
    finest_um: float | None
    limit_um: float | None
    pads: int | None
    picture: Mapping[str, Any]
    reason: str

    def as_json(self) -> dict[str, Any]:
        """As plain data."""
        return {
            "bench": str(self.folder), "chip": self.chip, "title": self.title,
            "marking": self.marking, "maker": self.maker, "package": self.package,
            "instruments": self.instruments, "width_um": self.width_um,
            "height_um": self.height_um, "finest_line_um": self.finest_um,
            "finest_line_limit_um": self.limit_um, "pads": self.pads,
            "picture": self.picture.get("file"), "reason": self.reason,
        }  # fmt: skip


def search(index: sqlite3.Connection, query: Query) -> list[Hit]:
    """Chips for which all of a query holds: the best fitting words first, else by title."""
    parts, given = [], []
    match = _match(query)
    if match:
        parts.append("words MATCH ?")
        given.append(match)
    for (low, high), column in ((query.size_um, "max(c.width_um, c.height_um)"),
                                (query.finest_um, "c.finest_um")):  # fmt: skip
        if low is not None:
            parts.append(f"{column} >= {low!r}")
        if high is not None:
            parts.append(f"{column} <= {high!r}")
    if query.region:
        parts.append("c.id IN (SELECT chip_id FROM regions WHERE kind = ?)")
        given.append(query.region)
    where = f" WHERE {' AND '.join(parts)}" if parts else ""
    source = "words JOIN chips c ON c.id = words.rowid" if match else "chips c"
    # "+": of few chips that are sorted; without a condition the index on titles gives the first ones
    order = "rank, c.title, c.id" if match else f"{'+' if parts else ''}c.title, c.id"
    rows = index.execute(
        "SELECT c.folder, c.chip, c.title, c.marking, c.maker, c.package, c.instruments, c.width_um,"
        " c.height_um, c.finest_um, c.limit_um, c.pads, c.picture, c.reason"
        f" FROM {source}{where} ORDER BY {order} LIMIT ?", (*given, query.most),
    )  # fmt: skip
    return [_hit(row) for row in rows]


def _hit(row: tuple[Any, ...]) -> Hit:
    told = dict(zip((one.name for one in fields(Hit)), row, strict=True))
    told |= {"folder": Path(told["folder"]), "picture": json.loads(told["picture"])}
    return Hit(**told)


def _match(query: Query) -> str:
    """The query's words as FTS5 reads them: each begins a word of the text, none is an operator."""
    parts = [f'"{word}"*' for word in _tokens(query.words)]
    for name, words in query.within.items():
        if name not in WORD_FIELDS:
            raise ValueError(f"{name!r} is none of {WORD_FIELDS}")
        parts += [f'{name}:"{word}"*' for word in _tokens(words)]
    return " AND ".join(parts)


def _tokens(words: str) -> list[str]:
    return re.findall(r"\w+", words)
