"""Reading `bench.toml`: from text to a checked `Bench`, or to every mistake with its line."""

from __future__ import annotations

import re
import tomllib
import zipfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from glassay.bench.document.across_tables import settle_across
from glassay.bench.document.instruments import told_apart
from glassay.bench.document.line_numbers import key_lines
from glassay.bench.document.mistakes import BenchMistakes, Mistake, Mistakes
from glassay.bench.document.model import Bench, Document, Instrument, MissingCapture
from glassay.bench.document.tables import read_table
from glassay.errors import Unusable

FILE_NAME = "bench.toml"
MAX_BYTES = 10_000_000
"""Largest `bench.toml` that is read; thousands of captures stay far below one megabyte."""


def load_bench(folder: Path, *, without_missing: bool = False) -> Bench:
    """Read and check `folder/bench.toml`.

    A capture whose file is not there is a mistake; or, `without_missing` and where it was filed (its
    checksum is kept), left out and named in `Bench.missing`, so that all else can be looked at. Raises
    `Unusable` when there is no such file or it is not TOML, and `BenchMistakes` (one line each) when
    something in it is wrong; nothing half-valid is returned.
    """
    return parse_bench(read_document(folder), folder, without_missing=without_missing)


def read_document(folder: Path) -> str:
    """The text of `folder/bench.toml`. Raises `Unusable` when it cannot be read."""
    path = folder / FILE_NAME
    try:
        if folder.is_file() and zipfile.is_zipfile(folder):
            raise Unusable(
                f"{folder} is an archive, no bench folder: unpack it into a folder of its own, and name"
                " that folder"
            )
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


def parse_bench(text: str, folder: Path, *, without_missing: bool = False) -> Bench:
    """Check the text of a `bench.toml`; captures lie under `folder`. Raises as `load_bench`."""
    data = parse_toml(text)
    wrong = Mistakes(key_lines(text))
    document = read_table(Document, data, (), wrong)
    gone: dict[int, str] = {}
    captures = settle_across(document, wrong, folder, gone if without_missing else None)
    if wrong.found:
        raise BenchMistakes(wrong.found)
    head = document.bench
    return Bench(
        folder, head.title or folder.resolve().name, head.note, head.display, head.reference_view,
        document.objects, _without(told_apart(document.instruments), [captures[i].id for i in gone]),
        tuple(one for index, one in enumerate(captures) if index not in gone), document.needs,
        tuple(MissingCapture(captures[index], why) for index, why in gone.items()),
    )  # fmt: skip


def _without(instruments: tuple[Instrument, ...], gone: Sequence[str]) -> tuple[Instrument, ...]:
    """The instruments, whose opened parts name no capture that is gone."""
    if not gone:
        return instruments
    return tuple(
        replace(one, teardown=tuple(
            replace(part, captures=tuple(c for c in part.captures if c not in gone))
            for part in one.teardown
        ))
        for one in instruments
    )  # fmt: skip


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
