"""What must agree between the tables of `bench.toml`: what refers to what, and the files."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from glassay.bench.document.filed import Filed
from glassay.bench.document.line_numbers import Path as Place
from glassay.bench.document.mistakes import Mistakes, no_such
from glassay.bench.document.model import Capture, Document, Instrument, ReferenceView


def settle_across(
    document: Document, wrong: Mistakes, folder: Path, gone: dict[int, str] | None = None
) -> tuple[Capture, ...]:
    """The captures of a document, each with an id of its own and a setting. What does not agree is
    added to `wrong`; of captures that were filed and whose files are not there any more, the reason to
    `gone` where it is given, by which of the captures it is."""
    instruments = {one.id: one for one in reversed(document.instruments) if one.id}
    _check_view(document.bench.reference_view, instruments, wrong)
    for index, thing in enumerate(document.objects):
        text = no_such("instrument", thing.sensor_of, instruments)
        wrong.add(("object", index), "sensor_of", text)
    objects = [thing.id for thing in document.objects]
    captures, filed = [], Filed(folder)
    for index, one in enumerate(document.captures):
        place = ("capture", index)
        text = "" if gone is None else _no_files(one.files, folder, filed)
        if text and gone is not None and set(one.files) <= filed.checksums.keys():
            gone[index] = f"{text} (bench.toml line {wrong.line(place)})"
        else:
            _check_files(place, ("file", "files"), one.files, wrong, folder, filed)
        wrong.add(place, "instrument", no_such("instrument", one.instrument, instruments))
        wrong.add(place, "object", no_such("object", one.object, objects))
        captures.append(_with_setting(one, place, instruments.get(one.instrument), wrong))
    captures = _with_ids(captures, wrong)
    ids = [one.id for one in captures]
    for index, instrument in enumerate(document.instruments):
        for number, part in enumerate(instrument.teardown):
            here = ("instrument", index, "teardown", number)
            _check_files(here, ("photo", "photos"), part.photos, wrong, folder, filed)
            key = _key(here, ("capture", "captures"), wrong)
            for capture in part.captures:
                wrong.add(here, key, no_such("capture", capture, ids))
    return tuple(captures)


def _key(place: Place, keys: tuple[str, str], wrong: Mistakes) -> str:
    """Under which of the two keys a value is written: one alone, or several."""
    return keys[(*place, keys[1]) in wrong.lines]


def _check_files(
    place: Place, keys: tuple[str, str], names: Sequence[str], wrong: Mistakes, folder: Path,
    filed: Filed,
) -> None:  # fmt: skip
    for name in names:
        wrong.add(place, _key(place, keys, wrong), _no_files((name,), folder, filed))


def _no_files(names: Sequence[str], folder: Path, filed: Filed) -> str:
    """What is wrong with the first of the files that is not there; "" where all are."""
    for name in names:
        if not _is_file(folder / name):
            text = f"there is no file {name!r} in the bench folder"
            if (now := filed.renamed_to(name)) is not None:
                text += f"; {now!r} has its checksum: it was renamed"
            return text
    return ""


def _is_file(path: Path) -> bool:
    with suppress(OSError):  # a name longer than the file system takes cannot be asked after
        return path.is_file()
    return False


def _check_view(view: ReferenceView, instruments: dict[str, Instrument], wrong: Mistakes) -> None:
    text = no_such("instrument", view.instrument, instruments)
    if view.instrument in instruments:
        settings = _settings(instruments[view.instrument])
        text = _no_setting(view.instrument, view.setting, settings)
        if view.setting is None and len(settings) > 1:
            text = "setting is missing; expected one of " + ", ".join(settings)
    wrong.add(("bench",), "reference_view", text)


def _settings(instrument: Instrument) -> list[str]:
    return [one.id for one in instrument.settings if one.id]


def _no_setting(instrument: str, one: str | None, known: Sequence[str]) -> str:
    said = no_such("setting", one, known)
    return said.replace("there is no", f"{instrument!r} has no", 1)


def _with_setting(
    one: Capture, place: Place, instrument: Instrument | None, wrong: Mistakes
) -> Capture:
    if instrument is None:
        return one
    known = _settings(instrument)
    wrong.add(place, "setting", _no_setting(instrument.id, one.setting, known))
    if not one.setting and len(known) > 1 and (*place, "setting") not in wrong.lines:
        wrong.add(place, None, "setting is missing; expected one of " + ", ".join(known))
    return replace(one, setting=one.setting or next(iter(known), ""))


def _with_ids(captures: Sequence[Capture], wrong: Mistakes) -> list[Capture]:
    """Give each capture its own id, and report a file or an id that stands twice."""
    seen: dict[tuple[str, str], int] = {}
    owner: dict[str, str] = {}
    ids: dict[str, int] = {}
    found = []
    for index, one in enumerate(captures):
        place = ("capture", index)
        line = wrong.line(place)
        for name in one.files:
            if owner.setdefault(name, one.instrument) != one.instrument:
                wrong.add(place, "instrument", f"{name!r} is filed for {owner[name]!r} already")
            elif (name, one.object) in seen:
                text = f"{name!r} stands already as a capture on line {seen[name, one.object]}"
                wrong.add(place, None, text)
            seen[name, one.object] = line
        capture_id = one.id or next(iter(one.files), "")
        if capture_id in ids and not one.id:  # the same photo, of another object
            capture_id = f"{capture_id}#{one.object}"
        if capture_id and capture_id in ids:
            text = f"the capture {capture_id!r} stands already on line {ids[capture_id]}"
            wrong.add(place, "id", text)
        ids[capture_id] = line
        found.append(replace(one, id=capture_id))
    return found
