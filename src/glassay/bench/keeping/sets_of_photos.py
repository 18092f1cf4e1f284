"""Which of the photos to be filed belong together: exposures of a repeat pair, steps of a focus run,
tiles of a chip."""

from __future__ import annotations

import itertools
import re
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from glassay.bench.document.model import Bench
from glassay.bench.keeping.filing import Filing, in_order
from glassay.imaging.file_names import PHOTO_SUFFIXES

KINDS_OF_SETS = ("repeat pair", "focus run", "relief", "chip in tiles")
"""Kinds of objects of which one photo says nothing, and several are one capture."""


def put_together(
    bench: Bench, filings: Sequence[Filing], *,
    folder_of: Callable[[Path], str] = lambda path: str(path.resolve().parent),
) -> tuple[Filing, ...]:  # fmt: skip
    """The filings with those marked that are one capture, in the order of their numbers.

    Photos of one object, instrument, setting and folder whose names differ in the last number only
    ("run-01", "run-02") are one set, and so are all whose names follow no such pattern. A repeat
    pair ends where a number is left out, if that leaves no photo alone: cameras count on. `folder_of`
    tells the folder that a photo came from, where it is not the one in which it lies.
    """
    groups: dict[tuple[str, ...], list[Filing]] = defaultdict(list)
    for one in filings:
        if bench.object(one.object).kind in KINDS_OF_SETS and _is_photo(one.source):
            groups[one.instrument, one.setting, one.object, folder_of(one.source)].append(one)
    marks: dict[Path, str] = {}
    ordered: list[Filing] = []
    for mine in groups.values():
        pairs = bench.object(mine[0].object).kind == "repeat pair"
        for some in _sets(mine, pairs):
            some = sorted(some, key=lambda one: in_order(Path(one.source.name)))
            ordered += some
            for one in some:
                marks[one.source] = str(some[0].source.resolve()) if len(some) > 1 else ""
    left = [one for one in filings if one.source not in marks]
    return (*left, *(replace(one, together=marks[one.source]) for one in ordered))


def _is_photo(path: Path) -> bool:
    return path.suffix.lower() in PHOTO_SUFFIXES


def _sets(mine: Sequence[Filing], pairs: bool) -> list[list[Filing]]:
    by_name: dict[str, list[Filing]] = defaultdict(list)
    for one in mine:
        by_name[_pattern(one.source)].append(one)
    alone = [some[0] for some in by_name.values() if len(some) == 1]
    sets = [some for some in by_name.values() if len(some) > 1]
    split = [part for some in sets for part in (_without_gaps(some) if pairs else [some])]
    return [*split, alone] if alone else split


def _pattern(path: Path) -> str:
    """The name with its last number (or a single letter at its end) left open."""
    stem, count = re.subn(r"\d+(?=\D*$)", "#", path.stem)
    if not count:
        stem = re.sub(r"(?<=[-_ ])[A-Za-z]$", "#", path.stem)
    return f"{stem}{path.suffix}".lower()


def _without_gaps(some: Sequence[Filing]) -> list[list[Filing]]:
    numbered = sorted(some, key=lambda one: _number(one.source))
    parts = [[numbered[0]]]
    for before, one in itertools.pairwise(numbered):
        if _number(one.source) - _number(before.source) > 1:
            parts.append([])
        parts[-1].append(one)
    return parts if all(len(part) > 1 for part in parts) else [list(some)]


def _number(path: Path) -> int:
    found = re.findall(r"\d+", path.stem)
    return int(found[-1]) if found else ord(path.stem[-1].lower())
