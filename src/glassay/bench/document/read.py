"""Reading `bench.toml`: from text to a checked `Bench`, or to every mistake with its line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from glassay.bench.document.across_tables import mistakes_across
from glassay.bench.document.fields import each_table, missing, tidied
from glassay.bench.document.line_numbers import key_lines
from glassay.bench.document.mistakes import BenchMistakes, Lines, Mistake, mistakes_of
from glassay.bench.document.model import (
    DEFAULT_SETTING,
    Bench,
    Capture,
    Document,
    Instrument,
    Setting,
)
from glassay.errors import Unusable

if TYPE_CHECKING:
    from pydantic import TypeAdapter

FILE_NAME = "bench.toml"
MAX_BYTES = 10_000_000
"""Largest `bench.toml` that is read; thousands of captures stay far below one megabyte."""


def load_bench(folder: Path) -> Bench:
    """Read and check `folder/bench.toml`.

    Raises `Unusable` when there is no such file or it is not TOML, and `BenchMistakes` (one line
    each) when something in it is wrong; nothing half-valid is returned.
    """
    return parse_bench(read_document(folder), folder)


def read_document(folder: Path) -> str:
    """The text of `folder/bench.toml`. Raises `Unusable` when it cannot be read."""
    path = folder / FILE_NAME
    try:
        if folder.is_file():
            raise Unusable(
                f"{folder} is a file, no bench folder; a bench is a folder with a {FILE_NAME}"
            )
        if not folder.is_dir():
            raise Unusable(f"{folder} is no bench folder; `glassay new {folder}` starts one")
        if path.stat().st_size > MAX_BYTES:
            raise Unusable(f"{path} is larger than the {MAX_BYTES // 10**6} MB that are read")
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise Unusable(
            f"{folder} holds no {FILE_NAME}; `glassay new {folder}` starts a bench"
        ) from None
    except OSError as error:
        raise Unusable(f"{path} cannot be read ({error.strerror})") from None
    except UnicodeDecodeError as error:
        raise Unusable(f"{path} is not text in UTF-8 (byte {error.start})") from None


def parse_bench(text: str, folder: Path) -> Bench:
    """Check the text of a `bench.toml`; captures lie under `folder`. Raises as `load_bench`."""
    from pydantic import ValidationError

    data = tidied(Document, parse_toml(text))
    lines = Lines(key_lines(text))
    mistakes = [*mistakes_across(data, lines, folder)]
    for table, row, place in each_table(Document, data):
        mistakes += [lines.wrong(place, *one) for one in (*missing(table, row), *table.amiss(row))]
    try:
        document = _reader().validate_python(data)
    except ValidationError as error:
        mistakes += mistakes_of(error, Document, lines)
    if mistakes:
        raise BenchMistakes(mistakes)
    return _bench(document, folder)


@lru_cache(maxsize=1)
def _reader() -> TypeAdapter[Document]:
    from pydantic import TypeAdapter  # a fifth of a second that only those pay who read a bench

    return TypeAdapter(Document)


def _bench(document: Document, folder: Path) -> Bench:
    """What a document without mistakes says."""
    head = document.bench
    instruments = [
        one if one.settings else replace(one, settings=_only_setting(one))
        for one in document.instruments
    ]
    return Bench(
        folder, head.title or folder.resolve().name, head.note, head.display, head.reference_view,
        tuple(replace(one, division_um=one.stated_division_um) for one in document.objects),
        tuple(instruments),
        tuple(_with_ids(document.captures, {one.id: one for one in instruments})),
        document.needs,
    )  # fmt: skip


def _only_setting(instrument: Instrument) -> tuple[Setting, ...]:
    return (Setting(DEFAULT_SETTING, instrument.chain, tone=instrument.tone),)


def _with_ids(captures: Sequence[Capture], instruments: dict[str, Instrument]) -> Iterator[Capture]:
    """The captures, each with an id of its own and a setting."""
    ids: set[str] = set()
    for one in captures:
        found = one.id or one.files[0]
        if found in ids:  # the same photo, of another object
            found = f"{found}#{one.object}"
        ids.add(found)
        setting = one.setting or instruments[one.instrument].settings[0].id
        yield replace(one, id=found, setting=setting)


def parse_toml(text: str) -> dict[str, Any]:
    """The document as plain data. Raises `BenchMistakes` with the line when it is not TOML."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        match = re.search(r"\s*\(at (?:line (\d+), column \d+|end of document)\)", str(error))
        line = int(match[1]) if match and match[1] else text.count("\n") + 1
        said = str(error)[: match.start()] if match else str(error)
        raise BenchMistakes([Mistake(line, f"this is not valid TOML: {said}")]) from None
    except RecursionError:
        raise Unusable(f"{FILE_NAME} is nested too deeply") from None
    except ValueError as error:  # a date that no calendar has, a number with too many digits
        raise Unusable(f"{FILE_NAME} holds a value that cannot be read: {error}") from None
