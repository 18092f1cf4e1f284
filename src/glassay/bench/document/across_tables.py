"""What must agree between the tables of `bench.toml`: ids, and what refers to them.

It is looked up in the document as it is written, so that a mistake in one place hides none in another.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from glassay.bench.document.mistakes import Lines, Mistake, suggestion
from glassay.bench.document.model import DEFAULT_SETTING
from glassay.bench.document.values import file_name, identifier
from glassay.errors import Unusable

Data = Mapping[str, Any]
Place = tuple[str | int, ...]


def mistakes_across(data: Data, lines: Lines, folder: Path) -> Iterator[Mistake]:
    """Every mistake between the tables of a document."""
    for key, what in (
        ("object", "reference object"),
        ("instrument", "instrument"),
        ("need", "need"),
    ):
        yield from _twice(data, (), key, what, lines)
    settings: dict[str, list[str]] = {}
    for index, one in enumerate(_rows(data, "instrument")):
        place = ("instrument", index)
        yield from _twice(one, place, "setting", "setting", lines)
        known = _ids(one, "setting") or [DEFAULT_SETTING]
        settings.setdefault(_id(one), known)
        yield from _of_instrument(one, place, known, _capture_ids(data), lines, folder)
    settings.pop("", None)
    yield from _reference_view(data, settings, lines)
    for index, one in enumerate(_rows(data, "object")):
        yield from _unknown(one, ("object", index), "sensor_of", "instrument", settings, lines)
    yield from _captures(data, settings, lines, folder)


def _rows(data: Data, key: str) -> list[Data]:
    """The tables of an array; empty ones for what is none, which is told elsewhere."""
    found = data.get(key, [])
    rows = found if isinstance(found, list) else []
    return [row if isinstance(row, Mapping) else {} for row in rows]


def _text(row: Data, key: str) -> str:
    found = row.get(key)
    return found.strip() if isinstance(found, str) else ""


def _id(row: Data, key: str = "id") -> str:
    with suppress(Unusable):
        return identifier(row.get(key))
    return ""


def _ids(data: Data, key: str) -> list[str]:
    return [one for row in _rows(data, key) if (one := _id(row))]


def _texts(row: Data, key: str) -> list[str]:
    found = row.get(key)
    listed = found if isinstance(found, list) else [found]
    return [one for one in listed if isinstance(one, str) and one]


def _twice(data: Data, place: Place, key: str, what: str, lines: Lines) -> Iterator[Mistake]:
    seen: dict[str, int] = {}
    for index, row in enumerate(_rows(data, key)):
        here, one = (*place, key, index), _id(row)
        if one and one in seen:
            yield lines.wrong(here, "id", f"the {what} {one!r} stands already on line {seen[one]}")
        seen.setdefault(one, lines.at(here, "id"))


def _unknown(
    row: Data, place: Place, key: str, what: str, known: Any, lines: Lines
) -> Iterator[Mistake]:
    if (one := _id(row, key)) and one not in known:
        yield lines.wrong(place, key, f"there is no {what} {one!r}; {suggestion(one, [*known])}")


def _of_instrument(
    one: Data, place: Place, settings: list[str], captures: list[str],
    lines: Lines, folder: Path,
) -> Iterator[Mistake]:  # fmt: skip
    for index, claim in enumerate(_rows(one, "claim")):
        yield from _unknown(claim, (*place, "claim", index), "setting", "setting", settings, lines)
    for index, part in enumerate(_rows(one, "teardown")):
        here = (*place, "teardown", index)
        yield from _no_files(part, here, ("photo", "photos"), lines, folder)
        for capture in _texts(part, "captures"):
            if capture not in captures:
                key = "captures" if lines.has(here, "captures") else "capture"
                text = f"there is no capture {capture!r}; {suggestion(capture, captures)}"
                yield lines.wrong(here, key, text)


def _reference_view(
    data: Data, settings: Mapping[str, list[str]], lines: Lines
) -> Iterator[Mistake]:
    head = data.get("bench")
    view = head.get("reference_view") if isinstance(head, Mapping) else None
    if not isinstance(view, Mapping) or not (instrument := _id(view, "instrument")):
        return
    text, setting = "", _id(view, "setting")
    if instrument not in settings:
        text = f"there is no instrument {instrument!r}; {suggestion(instrument, list(settings))}"
    elif setting and setting not in settings[instrument]:
        text = f"{instrument!r} has no setting {setting!r}; {suggestion(setting, settings[instrument])}"
    elif not setting and len(settings[instrument]) > 1:
        text = "setting is missing; expected one of " + ", ".join(settings[instrument])
    if text:
        yield lines.wrong(("bench",), "reference_view", text)


def _capture_ids(data: Data) -> list[str]:
    found: list[str] = []
    for row in _rows(data, "capture"):
        one = _text(row, "id") or next(iter(_texts(row, "files")), "")
        found.append(f"{one}#{_text(row, 'object')}" if one in found and "id" not in row else one)
    return found


def _captures(
    data: Data, settings: Mapping[str, list[str]], lines: Lines, folder: Path
) -> Iterator[Mistake]:
    objects = _ids(data, "object")
    seen: dict[tuple[str, str], int] = {}
    owner: dict[str, str] = {}
    ids: dict[str, int] = {}
    for index, (row, one) in enumerate(
        zip(_rows(data, "capture"), _capture_ids(data), strict=True)
    ):
        place = ("capture", index)
        instrument, thing = _id(row, "instrument"), _id(row, "object")
        yield from _unknown(row, place, "instrument", "instrument", settings, lines)
        yield from _unknown(row, place, "object", "object", objects, lines)
        if instrument in settings:
            yield from _setting(row, place, instrument, settings[instrument], lines)
        yield from _no_files(row, place, ("file", "files"), lines, folder)
        for name in _texts(row, "files"):
            if owner.setdefault(name, instrument) != instrument:
                text = f"{name!r} is filed for {owner[name]!r} already"
                yield lines.wrong(place, "instrument", text)
            elif (name, thing) in seen:
                text = f"{name!r} stands already as a capture on line {seen[name, thing]}"
                yield lines.wrong(place, None, text)
            seen[name, thing] = lines.at(place)
        if one in ids:
            yield lines.wrong(place, "id", f"the capture {one!r} stands already on line {ids[one]}")
        ids[one] = lines.at(place)


def _setting(
    row: Data, place: Place, instrument: str, settings: list[str], lines: Lines
) -> Iterator[Mistake]:
    setting = _text(row, "setting")
    if "setting" not in row and len(settings) > 1:
        yield lines.wrong(place, None, "setting is missing; expected one of " + ", ".join(settings))
    elif setting and setting not in settings:
        text = f"{instrument!r} has no setting {setting!r}; {suggestion(setting, settings)}"
        yield lines.wrong(place, "setting", text)


def _no_files(
    row: Data, place: Place, keys: tuple[str, str], lines: Lines, folder: Path
) -> Iterator[Mistake]:
    one, several = keys
    key = several if lines.has(place, several) else one
    for name in _texts(row, several):
        if _is_inside(name) and not _is_file(folder / name):
            yield lines.wrong(place, key, f"there is no file {name!r} in the bench folder")


def _is_inside(name: str) -> bool:
    with suppress(Unusable):
        return bool(file_name(name))
    return False  # which is told as its own mistake


def _is_file(path: Path) -> bool:
    with suppress(OSError, ValueError):  # a name that the file system does not take
        return path.is_file()
    return False
