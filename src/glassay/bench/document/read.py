"""Reading `bench.toml`: from text to a checked `Bench`, or to every mistake with its line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from glassay import units
from glassay.bench.document import table_reader as reader
from glassay.bench.document.instruments import read_display, read_instrument
from glassay.bench.document.line_numbers import key_lines
from glassay.bench.document.model import (
    OBJECT_KINDS,
    Bench,
    Capture,
    Certificate,
    Instrument,
    ReferenceObject,
    ReferenceView,
)
from glassay.bench.document.need_reader import read_need
from glassay.bench.document.table_reader import (
    BenchMistakes,
    Item,
    Mistake,
    Table,
    file_name,
    file_names,
    length_mm,
    length_um,
    suggestion,
    unique,
)
from glassay.bench.document.teardown import teardown_mistakes
from glassay.errors import Unusable

FILE_NAME = "bench.toml"
MAX_BYTES = 10_000_000
"""Largest `bench.toml` that is read; thousands of captures stay far below one megabyte."""

DIVISIONS_AGREE = 0.01
"""Two statements of one division may differ by 1 %; certified slides differ from their engraving by
far less, and a slip of a digit or a unit by far more."""


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
    data = parse_toml(text)
    mistakes: list[Mistake] = []
    root = Table(data, (), key_lines(text), mistakes)
    head = root.table("bench") or Table({}, (), {}, [])
    title = head.take("title", reader.text, "") or folder.resolve().name
    note = head.take("note", reader.text, "")
    display = read_display(head)
    view = _read_reference_view(head)
    head.finish()
    objects = unique("reference object", root.tables("object"), _read_object)
    instruments = unique("instrument", root.tables("instrument"), read_instrument)
    needs = unique("need", root.tables("need"), read_need)
    bench = Bench(folder, title, note, display, view, objects, instruments, (), needs)
    tables = root.tables("capture")
    captures = [_read_capture(table, bench) for table in tables]
    _check_capture_ids(tables, captures)
    _check_reference_view(head, bench)
    mistakes += _sensors_of_nobody(bench)
    mistakes += teardown_mistakes(bench, [c.id for c in captures if c is not None])
    root.finish()
    if mistakes:
        raise BenchMistakes(mistakes)
    return replace(bench, captures=tuple(c for c in captures if c is not None))


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


def _read_reference_view(head: Table) -> ReferenceView:
    inner = head.table("reference_view")
    if inner is None:
        return ReferenceView()
    plain = ReferenceView()
    view = ReferenceView(
        inner.take("eyepiece", units.parse_factor, plain.eyepiece),
        inner.take("field_number", length_mm, plain.field_number_mm),
        inner.maybe("instrument", reader.identifier),
        inner.maybe("setting", reader.identifier),
    )
    inner.finish()
    return view


def _check_reference_view(head: Table, bench: Bench) -> None:
    view = bench.reference_view
    if view.instrument is None:
        return
    known = {instrument.id: instrument for instrument in bench.instruments}
    if view.instrument not in known:
        hint = suggestion(view.instrument, list(known))
        head.wrong("reference_view", f"there is no instrument {view.instrument!r}; {hint}")
        return
    settings = [setting.id for setting in known[view.instrument].settings]
    if view.setting is not None and view.setting not in settings:
        hint = suggestion(view.setting, settings)
        head.wrong("reference_view", f"{view.instrument!r} has no setting {view.setting!r}; {hint}")
    elif view.setting is None and len(settings) > 1:
        head.wrong("reference_view", "setting is missing; expected one of " + ", ".join(settings))


def _sensors_of_nobody(bench: Bench) -> list[Mistake]:
    known = [instrument.id for instrument in bench.instruments]
    return [
        Mistake(
            thing.line,
            f"sensor_of: there is no instrument {thing.sensor_of!r};"
            f" {suggestion(thing.sensor_of, known)}",
        )
        for thing in bench.objects
        if thing.sensor_of is not None and thing.sensor_of not in known
    ]


def _read_object(table: Table) -> ReferenceObject | None:
    thing_id = table.need("id", reader.identifier, 'a short name, like "slide"')
    kind = table.need("kind", reader.choice(OBJECT_KINDS), 'a kind, like "ruled scale"')
    name, note = table.take("name", reader.text, ""), table.take("note", reader.text, "")
    certificate = _read_certificate(table)
    division = _read_division(table, certificate)
    tolerance = table.maybe("tolerance", reader.positive(units.parse_fraction))
    if kind in ("ruled scale", "grid") and division is None and not table.has("division"):
        table.wrong(None, f'division is missing; a {kind} needs one, like "10 um"')
    if certificate is not None and tolerance is not None:
        table.wrong("tolerance", "a certificate is given too; keep one of the two")
    sensor_of = table.maybe("sensor_of", reader.identifier)
    mosaic = table.maybe("mosaic", reader.choice(("auto", "colour", "none")))
    for key, given in (("sensor_of", sensor_of), ("mosaic", mosaic)):
        if given is not None and kind not in ("pixel array", None):
            table.wrong(key, f'only an object of kind "pixel array" has it, not a {kind}')
    table.finish()
    if thing_id is None:
        return None
    # Without a kind there is a mistake already; the object stays known, so that captures of it do
    # not count as mistakes too.
    return ReferenceObject(
        thing_id, kind or "chip", name, division, certificate, tolerance, note, table.line(),
        sensor_of, mosaic or "auto",
    )  # fmt: skip


def _read_certificate(table: Table) -> Certificate | None:
    inner = table.table("certificate")
    if inner is None:
        return None
    division = inner.need("division", length_um, 'the certified division, like "10.003 um"')
    expanded = inner.need("expanded", length_um, 'the expanded uncertainty, like "0.006 um"')
    k = inner.take("k", reader.number, 2.0)
    said = inner.take("number", reader.text, "")
    inner.finish()
    if division is None or expanded is None:
        return None
    if expanded > division / 10:
        inner.wrong("expanded", f"{expanded:g} um is no uncertainty of a {division:g} um division")
    return Certificate(division, expanded, k, said)


def _read_division(table: Table, certificate: Certificate | None) -> float | None:
    """The division, checked against every other statement of it."""
    stated = [("division", "division", table.maybe("division", length_um))]
    length, count = table.maybe("length", length_um), table.maybe("divisions", reader.whole)
    if table.has("length") != table.has("divisions"):
        table.wrong(None, "length and divisions only say something together")
    elif length is not None and count is not None:
        stated.append(("divisions", "length / divisions", length / count))
    if certificate is not None:
        stated.append(("certificate", "the certificate", certificate.division_um))
    known = [(key, name, value) for key, name, value in stated if value is not None]
    for key, name, value in known[1:]:
        _, first, division = known[0]
        if abs(value / division - 1) > DIVISIONS_AGREE:
            table.wrong(
                key,
                f"contradictory divisions: {first} says {division:g} um, {name} says {value:g} um",
            )
    return known[0][2] if known else None


def _read_capture(table: Table, bench: Bench) -> Capture | None:
    files = _read_files(table, bench.folder)
    instrument_id = table.need("instrument", reader.identifier, "the id of an instrument")
    instrument = _known(table, "instrument", instrument_id, bench.instruments)
    object_id = table.need("object", reader.identifier, "the id of a reference object")
    _known(table, "object", object_id, bench.objects)
    capture = Capture(
        table.maybe("id", reader.some_text) or (files[0] if files else ""),
        files, instrument_id or "",
        _read_capture_setting(table, instrument), object_id or "",
        table.maybe("box", _box),
        table.take("pattern", reader.choice(("auto", "ruled", "grid")), "auto"),
        table.take("note", reader.text, ""),
        table.line(),
        table.maybe("step", length_um),
        table.take("by_stage", reader.truth, False),
    )  # fmt: skip
    table.finish()
    return capture if files else None


def _known(table: Table, key: str, item_id: str | None, items: Sequence[Item]) -> Item | None:
    by_id: Mapping[str, Item] = {item.id: item for item in reversed(items)}
    if item_id is not None and item_id not in by_id:
        table.wrong(key, f"there is no {key} {item_id!r}; {suggestion(item_id, list(by_id))}")
    return by_id.get(item_id or "")


def _read_capture_setting(table: Table, instrument: Instrument | None) -> str:
    setting_id = table.maybe("setting", reader.some_text)
    if instrument is None:
        return ""
    settings = [setting.id for setting in instrument.settings]
    if setting_id is None:
        if len(settings) > 1 and not table.has("setting"):
            table.wrong(None, "setting is missing; expected one of " + ", ".join(settings))
        return settings[0]
    if setting_id not in settings:
        hint = suggestion(setting_id, settings)
        table.wrong("setting", f"{instrument.id!r} has no setting {setting_id!r}; {hint}")
    return setting_id


def _read_files(table: Table, folder: Path) -> tuple[str, ...]:
    if table.has("file") and table.has("files"):
        table.wrong("files", "file is given too; keep one of the two")
    one = table.maybe("file", file_name)
    several = table.maybe("files", file_names) or ()
    files = (one,) if one is not None else several
    if not table.has("file") and not table.has("files"):
        table.wrong(None, 'file is missing; expected a path, like "captures/slide.jpg"')
    for name in files:
        if not _is_file(folder / name):
            key = "file" if one is not None else "files"
            table.wrong(key, f"there is no file {name!r} in the bench folder")
    return files


def _is_file(path: Path) -> bool:
    with suppress(OSError):  # a name longer than the file system takes cannot be asked after
        return path.is_file()
    return False


def _box(value: object) -> tuple[int, int, int, int]:
    whole = isinstance(value, list) and all(type(part) is int for part in value)
    if not whole or not isinstance(value, list) or len(value) != 4:
        raise Unusable(f"{value!r} is not a region in px, like [x, y, width, height]")
    x, y, width, height = value
    if min(x, y) < 0 or min(width, height) < 1:
        raise Unusable(f"{value!r} is not a region: x and y from 0, width and height from 1")
    return x, y, width, height


def _check_capture_ids(tables: Sequence[Table], captures: list[Capture | None]) -> None:
    """Give each capture its own id, and report a file or an id that stands twice."""
    seen: dict[tuple[str, str], int] = {}
    owner: dict[str, str] = {}
    ids: dict[str, int] = {}
    for index, (table, capture) in enumerate(zip(tables, captures, strict=True)):
        if capture is None:
            continue
        for name in capture.files:
            if owner.setdefault(name, capture.instrument) != capture.instrument:
                table.wrong("instrument", f"{name!r} is filed for {owner[name]!r} already")
            elif (name, capture.object) in seen:
                line = seen[name, capture.object]
                table.wrong(None, f"{name!r} stands already as a capture on line {line}")
            seen[name, capture.object] = capture.line
        if capture.id in ids and not table.has("id"):
            capture = replace(capture, id=f"{capture.id}#{capture.object}")
            captures[index] = capture
        if capture.id in ids:
            table.wrong("id", f"the capture {capture.id!r} stands already on line"
                        f" {ids[capture.id]}")  # fmt: skip
        ids[capture.id] = capture.line
