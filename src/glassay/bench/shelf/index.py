"""The index of many benches: one SQLite file with full-text search, built from them and never the
only copy of anything. Deleting it loses nothing.

A bench is read again when `bench.toml`, its notes by hand, its results, its kept dies or the mosaics of
its chips have changed.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from glassay.bench.document.chip_mosaics import MOSAICS, is_die
from glassay.bench.document.die_notes import NOTES_FOLDER, DieNotes, notes_file
from glassay.bench.document.model import Bench
from glassay.bench.document.read import FILE_NAME, load_bench
from glassay.bench.document.read_die_notes import read_die_notes
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import RESULTS_FILE, read_results
from glassay.bench.shelf.kept_dies import DIES, kept_die, measured_die
from glassay.errors import Unusable
from glassay.mosaic_files import NUMBERS

LAYOUT = 3
"""Version of the tables; an index of another one is built anew."""

TABLES = """
CREATE TABLE benches (folder TEXT PRIMARY KEY, stamp TEXT NOT NULL);
CREATE TABLE chips (
  id INTEGER PRIMARY KEY, folder TEXT NOT NULL REFERENCES benches ON DELETE CASCADE,
  chip TEXT NOT NULL, title TEXT NOT NULL, marking TEXT NOT NULL, maker TEXT NOT NULL,
  package TEXT NOT NULL, instruments TEXT NOT NULL, width_um REAL, height_um REAL, finest_um REAL,
  limit_um REAL, pads INTEGER, picture TEXT NOT NULL, reason TEXT NOT NULL
);
CREATE INDEX chips_of ON chips (folder);
CREATE INDEX by_title ON chips (title, id);
CREATE INDEX by_finest ON chips (finest_um);
CREATE TABLE regions (chip_id INTEGER NOT NULL REFERENCES chips ON DELETE CASCADE, kind TEXT NOT NULL,
                      area_um2 REAL NOT NULL);
CREATE INDEX by_kind ON regions (kind, chip_id);
CREATE INDEX of_chip ON regions (chip_id);
CREATE VIRTUAL TABLE words USING fts5 (
  title, marking, maker, package, instruments, notes, tokenize = 'unicode61 remove_diacritics 2',
  prefix = '2 3'
);
"""

Said = Callable[[str], None]


@dataclass
class Built:
    """What building did: benches read, unchanged and gone; chips in the index; what went wrong."""

    read: int = 0
    unchanged: int = 0
    gone: int = 0
    chips: int = 0
    troubles: list[str] = field(default_factory=list)


def open_index(path: Path) -> sqlite3.Connection:
    """The index in a file, made new where there is none, or a damaged or older one.

    Raises `Unusable` when it cannot be written, or the file is something else.
    """
    for again in (False, True):
        try:
            index = sqlite3.connect(path, timeout=30)
            index.execute("PRAGMA foreign_keys = ON")
            index.execute("PRAGMA journal_mode = WAL")
            found = index.execute("PRAGMA user_version").fetchone()[0]
            if found == LAYOUT:
                return index
            if found or index.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                index.close()
                if not found or again:
                    raise Unusable(f"{path} is a database of something else; name another file")
                path.unlink()
                continue
            index.executescript(f"{TABLES}PRAGMA user_version = {LAYOUT};")
            return index
        except sqlite3.Error as error:
            raise Unusable(f"{path} cannot be used as an index ({error})") from None
    raise Unusable(f"{path} cannot be used as an index")


def bench_folders(folders: Iterable[Path]) -> list[Path]:
    """Every bench in these folders, at any depth; a bench is not searched for others within it.

    Raises `Unusable` when one of the folders is none.
    """
    found: dict[Path, None] = {}
    for folder in folders:
        if not folder.is_dir():
            raise Unusable(f"{folder} is no folder")
        for place, below, files in os.walk(folder):
            if FILE_NAME in files:
                found[Path(place).resolve()] = None
                below.clear()
            below[:] = sorted(name for name in below if not name.startswith("."))
    return list(found)


def build(
    index: sqlite3.Connection, folders: Sequence[Path], *, measure: bool = True,
    say: Said = lambda _: None,
) -> Built:  # fmt: skip
    """Bring the index up to date with the benches in some folders; what lies elsewhere stays.

    `measure` dies that are not kept yet, of benches that have results.
    """
    done = Built()
    benches = bench_folders(folders)
    known = dict(index.execute("SELECT folder, stamp FROM benches"))
    for folder in benches:
        if known.get(str(folder)) == _stamp(folder) and not (measure and _waits(index, folder)):
            done.unchanged += 1
            continue
        try:
            chips: list[_Chip] | None = list(_chips_of(folder, measure, say))
        except Unusable as error:
            done.troubles.append(f"{folder.name}: {error}")
            chips = None
        with index:
            _forget(index, str(folder))
            stamp = (
                "" if chips is None else _stamp(folder)
            )  # one that cannot be read is asked again
            index.execute("INSERT INTO benches VALUES (?, ?)", (str(folder), stamp))
            for chip in chips or ():
                _insert(index, str(folder), chip)
        done.read += 1
    present = {str(folder) for folder in benches}
    roots = [str(folder.resolve()) for folder in folders]
    with index:
        for folder in known:
            inside = any(folder == root or folder.startswith(root + os.sep) for root in roots)
            if inside and folder not in present:
                _forget(index, folder)
                done.gone += 1
    done.chips = index.execute("SELECT count(*) FROM chips").fetchone()[0]
    return done


@dataclass(frozen=True)
class _Chip:
    row: dict[str, Any]
    notes: str
    regions: tuple[tuple[str, float], ...]


NOT_MEASURED = "not measured yet"


def _waits(index: sqlite3.Connection, folder: Path) -> bool:
    """Whether a chip of the bench was read without being measured, and can be now."""
    told = "SELECT 1 FROM chips WHERE folder = ? AND reason = ? LIMIT 1"
    waiting = index.execute(told, (str(folder), NOT_MEASURED)).fetchone() is not None
    return waiting and (folder / "results" / RESULTS_FILE).is_file()


def _chips_of(folder: Path, measure: bool, say: Said) -> Iterator[_Chip]:
    bench = load_bench(folder)
    held: list[BenchResults] = []

    def results() -> BenchResults:
        if not held:
            held.append(read_results(bench))
        return held[0]

    has_results = (bench.results_folder / RESULTS_FILE).is_file()
    for thing in bench.objects:
        if not is_die(thing):
            continue
        die = kept_die(bench, thing.id)
        if die is None and measure and has_results:
            say(f"{bench.title}: measuring the die of {thing.id}")
            die = measured_die(bench, thing.id, results)
        yield _chip(bench, thing.id, die or {"reason": NOT_MEASURED})


def _chip(bench: Bench, chip: str, die: dict[str, Any]) -> _Chip:
    thing = bench.object(chip)
    notes = _notes(bench, chip, _value(die, "height"))
    mine = [c for c in bench.captures if c.object == chip]
    by_id = {one.id: one.title for one in bench.instruments}
    instruments = dict.fromkeys(by_id.get(c.instrument, c.instrument) for c in mine)
    picture = die.get("picture") or ({"file": mine[0].files[0]} if mine else {})
    row = {
        "chip": chip, "title": thing.name or chip,
        "marking": " / ".join(m.text for m in notes.markings), "maker": notes.about.maker,
        "package": notes.about.package, "instruments": ", ".join(instruments),
        "width_um": _value(die, "width"), "height_um": _value(die, "height"),
        "finest_um": _value(die, "finest_line"), "limit_um": _value(die, "finest_line_limit"),
        "pads": _value(die, "pads"), "reason": str(die.get("reason", "")),
        "picture": json.dumps({**picture, "outline": die.get("outline")}),
    }  # fmt: skip
    said = [bench.title, bench.note, thing.note, notes.about.note, notes.about.opened,
            *(c.note for c in mine), *(f"{r.kind} {r.name}" for r in notes.regions)]  # fmt: skip
    return _Chip(row, "\n".join(text for text in said if text),
                 tuple((r.kind, r.area_um2) for r in notes.regions))  # fmt: skip


def _value(die: dict[str, Any], key: str) -> Any:
    finding = (die.get("findings") or {}).get(key)
    if finding is None or finding.get("unit", "um") == "px":
        return None
    return finding["value"]


def _notes(bench: Bench, chip: str, height_um: float | None) -> DieNotes:
    """The notes of a chip; GeoJSON counts from below, so that without a height it tells no places."""
    path = notes_file(bench.folder, chip)
    if path is None or (path.suffix == ".geojson" and height_um is None):
        return DieNotes()
    return read_die_notes(path, height_um or 0.0)


def _stamp(folder: Path) -> str:
    """Of the size and time of everything that the index takes from a bench."""
    places = [folder / FILE_NAME, folder / "results" / RESULTS_FILE]
    for part in (folder / NOTES_FOLDER, folder / "results" / DIES):
        with contextlib.suppress(OSError):
            places += sorted(part.iterdir())
    places += sorted((folder / MOSAICS).glob(f"*/{NUMBERS}"))
    parts = []
    for place in places:
        with contextlib.suppress(OSError):
            stat = place.stat()
            name = place.relative_to(folder).as_posix()
            parts.append(f"{name} {stat.st_size} {stat.st_mtime_ns}")
    return hashlib.sha256("\n".join(parts).encode("utf-8", "surrogateescape")).hexdigest()[:24]


def _forget(index: sqlite3.Connection, folder: str) -> None:
    index.execute(
        "DELETE FROM words WHERE rowid IN (SELECT id FROM chips WHERE folder = ?)", (folder,)
    )
    index.execute("DELETE FROM benches WHERE folder = ?", (folder,))


def _insert(index: sqlite3.Connection, folder: str, chip: _Chip) -> None:
    row = {"folder": folder, **chip.row}
    names, marks = ", ".join(row), ", ".join("?" * len(row))
    done = index.execute(f"INSERT INTO chips ({names}) VALUES ({marks})", tuple(row.values()))
    told = [row[name] for name in ("title", "marking", "maker", "package", "instruments")]
    index.execute(
        "INSERT INTO words (rowid, title, marking, maker, package, instruments, notes)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)", (done.lastrowid, *told, chip.notes),
    )  # fmt: skip
    index.executemany(
        "INSERT INTO regions VALUES (?, ?, ?)", [(done.lastrowid, *one) for one in chip.regions]
    )
