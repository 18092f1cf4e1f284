"""Mistakes in `bench.toml`: on which line each stands, and what was expected."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from glassay.bench.document.line_numbers import Path
from glassay.errors import Unusable


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
class Mistakes:
    """The mistakes found so far in a text whose keys and tables stand on these `lines`."""

    lines: Mapping[Path, int]
    found: list[Mistake] = field(default_factory=list)

    def line(self, place: Path) -> int:
        """The line of a place, or of the table it belongs to where it is not written."""
        while place and place not in self.lines:
            place = place[:-1]
        return self.lines.get(place, 1)

    def add(self, table: Path, key: str | Path | None, text: str) -> None:
        """Note a mistake at a key of a table, at a place within it, or at the table itself (None);
        "" is none."""
        at = () if key is None else (key,) if isinstance(key, str) else key
        said = f"{at[-1]}: {text}" if at else text
        if text:
            self.found.append(Mistake(self.line((*table, *at)), said))


def suggestion(word: str, known: Sequence[str]) -> str:
    """ "did you mean ...?", or the list of what is known."""
    near = difflib.get_close_matches(word.lower(), [k.lower() for k in known], n=1, cutoff=0.6)
    if near:
        match = next(k for k in known if k.lower() == near[0])
        return f"did you mean {match!r}?"
    return "expected one of " + ", ".join(sorted(set(known))) if known else "none is known"


def no_such(what: str, one: str | None, known: Iterable[str | None]) -> str:
    """What is wrong with naming something that is not known; "" where it is, or none is named."""
    ids = [name for name in known if name]
    return f"there is no {what} {one!r}; {suggestion(one, ids)}" if one and one not in ids else ""
