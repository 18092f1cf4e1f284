"""The teardown log: parts seen with an instrument open, and the cautions that go before it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from glassay.bench.document import table_reader as reader
from glassay.bench.document.model import Bench, TeardownPart
from glassay.bench.document.table_reader import Mistake, Table, suggestion

CAUTIONS = (
    "Lithium cells: never pierce, bend or heat one. Remove or isolate it before anything else, and"
    " work on a surface that does not burn.",
    "Mains parts: leave them to people licensed for them. Capacitors keep their charge after the"
    " plug is out.",
    "Hot air and heated packages: they give off fumes and burn skin. Ventilate, protect the eyes,"
    " let things cool.",
    "Removing packages with acids: only in an equipped laboratory, under its rules. This log gives"
    " no recipe.",
    "Bare silicon and broken glass have sharp edges: protect the eyes, use tweezers, collect the"
    " splinters.",
    "Bright and ultraviolet lamps, lasers: do not look into them; follow the eye-safety class that"
    " the maker states.",
    "Workshop rules and disposal: local codes decide, and licensed practice goes before anything"
    " written here.",
)
"""Shown at the top of every teardown log, on screen and in print."""


def read_teardown(tables: Sequence[Table]) -> tuple[TeardownPart, ...]:
    """The parts of one instrument."""
    found = []
    for table in tables:
        part = table.need("part", reader.some_text, 'what it is, like "image sensor"')
        if table.has("photo") and table.has("photos"):
            table.wrong("photos", "photo is given too; keep one of the two")
        one = table.maybe("photo", reader.file_name)
        several = table.maybe("photos", reader.file_names) or ()
        seen = TeardownPart(
            part or "", table.take("package", reader.text, ""),
            table.take("marking", reader.text, ""), (one,) if one is not None else several,
            _captures(table), table.take("date", reader.day, ""),
            table.take("note", reader.text, ""), table.line(),
        )  # fmt: skip
        table.finish()
        if part is not None:
            found.append(seen)
    return tuple(found)


def _captures(table: Table) -> tuple[str, ...]:
    one = table.maybe("capture", reader.some_text)
    several = table.maybe("captures", _texts) or ()
    return (one,) if one is not None else several


def _texts(value: object) -> tuple[str, ...]:
    return tuple(reader.some_text(part) for part in (value if isinstance(value, list) else [value]))


def teardown_mistakes(bench: Bench, captures: Sequence[str]) -> Iterator[Mistake]:
    """Photos that do not exist, and captures that the bench does not list."""
    for instrument in bench.instruments:
        for part in instrument.teardown:
            for name in part.photos:
                if not (bench.folder / name).is_file():
                    text = f"photo: there is no file {name!r} in the bench folder"
                    yield Mistake(part.line, text)
            for capture in part.captures:
                if capture not in captures:
                    hint = suggestion(capture, captures)
                    yield Mistake(part.line, f"capture: there is no capture {capture!r}; {hint}")
