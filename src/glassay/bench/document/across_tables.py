"""What must agree between the tables of `bench.toml`: what refers to what, and the files."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from glassay.bench.document.line_numbers import Path as Place
from glassay.bench.document.mistakes import Mistakes, suggestion
from glassay.bench.document.model import Capture, Document, Instrument, ReferenceView


def settle_across(document: Document, wrong: Mistakes, folder: Path) -> tuple[Capture, ...]:
    """The captures of a document, each with an id of its own and a setting. What does not agree is
    added to `wrong`."""
    instruments = {one.id: one for one in reversed(document.instruments) if one.id}
    _check_reference_view(document.bench.reference_view, instruments, wrong)
    for index, thing in enumerate(document.objects):
        _known(("object", index), "sensor_of", "instrument", thing.sensor_of, instruments, wrong)
    objects = [thing.id for thing in document.objects if thing.id]
    place: Place
    for index, one in enumerate(document.captures):
        place = ("capture", index)
        _check_files(place, ("file", "files"), one.files, wrong, folder)
        _known(place, "instrument", "instrument", one.instrument, instruments, wrong)
        _known(place, "object", "object", one.object, objects, wrong)
    captures = _with_settings(document.captures, instruments, wrong)
    captures = _with_ids(captures, wrong)
    ids = [one.id for one in captures if one.id]
    for index, instrument in enumerate(document.instruments):
        for number, part in enumerate(instrument.teardown):
            place = ("instrument", index, "teardown", number)
            _check_files(place, ("photo", "photos"), part.photos, wrong, folder)
            for capture in part.captures:
                key = _key(place, ("capture", "captures"), wrong)
                _known(place, key, "capture", capture, ids, wrong)
    return tuple(captures)


def _key(place: Place, keys: tuple[str, str], wrong: Mistakes) -> str:
    """Under which of the two keys a value is written: one alone, or several."""
    return keys[(*place, keys[1]) in wrong.lines]


def _known(
    place: Place, key: str, what: str, one: str | None, known: Iterable[str], wrong: Mistakes
) -> None:
    if one and one not in known:
        wrong.add(place, key, f"there is no {what} {one!r}; {suggestion(one, [*known])}")


def _check_files(
    place: Place, keys: tuple[str, str], names: Sequence[str], wrong: Mistakes, folder: Path
) -> None:
    for name in names:
        if not _is_file(folder / name):
            text = f"there is no file {name!r} in the bench folder"
            wrong.add(place, _key(place, keys, wrong), text)


def _is_file(path: Path) -> bool:
    with suppress(OSError):  # a name longer than the file system takes cannot be asked after
        return path.is_file()
    return False


def _check_reference_view(
    view: ReferenceView, instruments: dict[str, Instrument], wrong: Mistakes
) -> None:
    if view.instrument is None:
        return
    place, key = ("bench",), "reference_view"
    _known(place, key, "instrument", view.instrument, instruments, wrong)
    if view.instrument in instruments:
        settings = _settings(instruments[view.instrument])
        if view.setting is None and len(settings) > 1:
            wrong.add(place, key, "setting is missing; expected one of " + ", ".join(settings))
        _check_setting(place, key, view.instrument, view.setting, settings, wrong)


def _settings(instrument: Instrument) -> list[str]:
    return [one.id for one in instrument.settings if one.id]


def _check_setting(
    place: Place, key: str, instrument: str, one: str | None, known: list[str], wrong: Mistakes
) -> None:
    if one and one not in known:
        wrong.add(place, key, f"{instrument!r} has no setting {one!r}; {suggestion(one, known)}")


def _with_settings(
    captures: Sequence[Capture], instruments: dict[str, Instrument], wrong: Mistakes
) -> list[Capture]:
    found = []
    for index, one in enumerate(captures):
        place, key = ("capture", index), "setting"
        if one.instrument in instruments:
            known = _settings(instruments[one.instrument])
            _check_setting(place, key, one.instrument, one.setting, known, wrong)
            if not one.setting and len(known) > 1 and (*place, key) not in wrong.lines:
                text = "setting is missing; expected one of " + ", ".join(known)
                wrong.add(place, None, text)
            one = replace(one, setting=one.setting or next(iter(known), ""))
        found.append(one)
    return found


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
