"""Changing what is noted by hand of a chip, entry by entry; the rest of its file stays as it is.

An entry is known by what it holds, not by its place: a change carries the entry that it rests on, and
is refused where the file holds no such entry any more. Taken back, a change is the same the other way.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from glassay.bench.document.die_notes import NOTES_FOLDER, DieNotes, notes_file
from glassay.bench.document.edit import Conflict, add_table, remove_table, set_values
from glassay.bench.document.read_die_notes import parse_die_notes
from glassay.disk import refuse_links, write_atomically
from glassay.errors import Unusable
from glassay.one_writer import one_writer

SEVERAL = ("region", "marking", "pad", "no_pad", "layer")
"""Kinds of entries of which there may be many."""
SINGLE = ("outline", "numbering", "finest_line", "finest_pitch")
"""Kinds of which there is one at most."""

Entry = Mapping[str, Any]


@dataclass(frozen=True)
class Change:
    """An entry of a kind as it was (None: a new one) and as it is to be (None: taken away)."""

    kind: str
    before: Entry | None
    after: Entry | None

    @property
    def turned(self) -> Change:
        """The change that takes this one back."""
        return Change(self.kind, self.after, self.before)


def change_notes(
    folder: Path, chip: str, changes: Sequence[Change], check: Callable[[DieNotes], object]
) -> None:
    """Make all of the changes to a chip's notes, or none.

    `check` is called with the notes as they would be and raises `Unusable` where they cannot be. Raises
    `Conflict` where an entry is not there any more as it was, and `Unusable` where the notes are no
    TOML or cannot be written.
    """
    path = _path(folder, chip)
    with one_writer(folder):
        before = _text(path)
        after = before
        for change in changes:
            after = _changed(after, change)
        if after != before:
            check(parse_die_notes(after))
            write_atomically(path, after.encode())


def _path(folder: Path, chip: str) -> Path:
    kept = notes_file(folder, chip)
    if kept is not None and kept.suffix != ".toml":
        raise Unusable(
            f"what is noted of this chip stands in {kept.name}, which is not changed here"
        )
    return refuse_links(folder / NOTES_FOLDER / f"{chip}.toml", folder)


def _text(path: Path) -> str:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as error:
        raise Unusable(f"{path.name} cannot be read ({error})") from None
    try:
        parse_die_notes(text)  # a file that cannot be used is never written over
    except Unusable as error:
        raise Unusable(f"{path.name}: {error}") from None
    return text


def _changed(text: str, change: Change) -> str:
    data, kind = tomllib.loads(text), change.kind
    if kind in SINGLE:
        if data.get(kind) != change.before:
            raise _gone(kind)
        place: tuple[str | int, ...] = (kind,)
    elif kind in SEVERAL:
        if change.before is None:
            return text if change.after is None else add_table(text, (), kind, change.after)
        entries = data.get(kind, [])
        if change.before not in entries:
            raise _gone(kind)
        place = (kind, entries.index(change.before))
    else:
        raise Unusable(f"{kind!r} is nothing that is noted of a chip")
    if change.after is None:
        return text if change.before is None else remove_table(text, place)
    gone = {key: None for key in change.before or {} if key not in change.after}
    return set_values(text, place, {**gone, **change.after})


def _gone(kind: str) -> Conflict:
    words = kind.replace("_", " ")
    return Conflict(f"this {words} was changed by someone else meanwhile; nothing was changed here")
