"""A chip's die as the page of corrections shows it: what was measured, and what is noted by hand."""

from __future__ import annotations

import json
import threading
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from fastapi import Request

from glassay.bench.chip.die_pictures import (
    DiePicture,
    FoundDie,
    captures_with_scale,
    found_die,
    mosaic_of_chip,
)
from glassay.bench.document.chip_mosaics import mosaic_name, mosaic_of
from glassay.bench.document.die_notes import DieNotes, notes_file
from glassay.bench.document.model import Capture
from glassay.bench.document.read_die_notes import read_die_notes
from glassay.bench.keeping.die_edits import SEVERAL, SINGLE
from glassay.bench.keeping.marks import SCREEN_U_PX
from glassay.bench.keeping.results import BenchResults
from glassay.die import DieResult, Pad, corrected
from glassay.errors import NotMeasurable, Unusable
from glassay.mosaic_files import NUMBERS
from glassay.report.evidence_die import die_outline, pad_corners
from glassay.web import limits
from glassay.web.by_hand import picture_size
from glassay.web.templating import workbench_of
from glassay.web.tiles import stamp

Points = npt.NDArray[np.float64]

_measuring = threading.Lock()
"""One die is measured at a time: it takes all memory that a photo needs, and some seconds."""


@dataclass(frozen=True)
class SeenIn:
    """The picture on the page: a capture, or a mosaic of the chip, by its id; its file, px as it is
    shown, the part in which the die is measured, and how many of a mosaic's px are one of these."""

    id: str
    file: str
    path: Path
    size: tuple[int, int]
    box: tuple[int, int, int, int] | None = None
    mosaic: bool = False
    reduced: int = 1


@dataclass(frozen=True)
class ShownDie:
    """A chip's die. `measured` is None where no outline was found, with the reason in `trouble`; else
    `trouble` says why the corrections do not fit what was measured. `entries` are those of the notes
    as they stand in the file, by kind; `result` has the corrections."""

    chip: str
    title: str
    seen: SeenIn
    measured: DieResult | None
    result: DieResult | None
    notes: DieNotes
    entries: Mapping[str, Any] = field(default_factory=dict)
    notes_name: str = ""
    trouble: str = ""
    others: Sequence[str] = ()

    @property
    def corner(self) -> Points:
        """Where the measured part of the photo begins, px."""
        return np.array((0, 0) if self.seen.box is None else self.seen.box[:2], np.float64)

    def in_photo(self, places_um: npt.ArrayLike) -> Points:
        """Places on the die (n, 2), um, as px of the whole photo."""
        result = self._result()
        return result.outline.to_photo(np.asarray(places_um) / result.per_px) + self.corner

    def on_die(self, points_px: npt.ArrayLike) -> Points:
        """The inverse. Raises `Unusable` as long as there is no die."""
        result = self._result()
        return result.outline.to_die(np.asarray(points_px) - self.corner) * result.per_px

    def _result(self) -> DieResult:
        if self.result is None:
            raise Unusable("the outline of the die is not known yet: set its corners first")
        return self.result


def shown_die(request: Request, chip: str, capture_id: str = "") -> ShownDie:
    """The die of a chip of the bench; where none is found, `capture_id` is the capture to look at.

    Raises `Unusable` where there is no such chip, or no capture of it with a scale, or notes that
    cannot be read or changed here.
    """
    bench = workbench_of(request)
    results = bench.results()
    path = notes_file(results.bench.folder, chip)
    notes, entries = DieNotes(), {}
    if path is not None:
        notes = read_die_notes(path, 0.0)
        if path.suffix != ".toml":
            raise Unusable(
                f"what is noted of this chip stands in {path.name}, which is not changed here"
            )
        entries = tomllib.loads(path.read_text(encoding="utf-8"))
    thing = results.bench.object(chip)
    found = _measured(request, chip, notes)
    measured: DieResult | None
    result: DieResult | None
    if isinstance(found, _Measured):
        measured, trouble = found.die.result, ""
        seen = (
            _mosaic(request, found.die.picture, found.size) if found.die.capture is None
            else _capture(request, results, found.die.capture)
        )  # fmt: skip
        try:
            result = corrected(measured, notes.corrections)
        except Unusable as error:
            result, trouble = measured, str(error)
    else:
        measured, result, trouble = None, None, found
        seen = _to_look_at(request, results, chip, capture_id)
    photos = results.captures if thing.kind == "chip" else ()  # a tile is no picture of the die
    others = [one.capture.id for one in photos if one.capture.object == chip]
    return ShownDie(
        chip, thing.name or chip, seen, measured, result, notes,
        {k: v for k, v in entries.items() if k in (*SEVERAL, *SINGLE)},
        "" if path is None else path.name, trouble, others,
    )  # fmt: skip


@dataclass(frozen=True)
class _Measured:
    """A die without its picture, which is not held: it can be a gigabyte; and the picture's px."""

    die: FoundDie
    size: tuple[int, int]


def _measured(request: Request, chip: str, notes: DieNotes) -> _Measured | str:
    """The die within its outline, or why there is none; kept while the bench's results stay, and its
    mosaic."""

    def measure(results: BenchResults) -> _Measured | str:
        try:
            found = found_die(results, chip, notes.outline)
        except NotMeasurable as error:
            return str(error)
        photo = found.picture.photo
        bare = replace(photo, stored=np.zeros((1, 1), np.uint8))
        bare_die = replace(found, picture=replace(found.picture, photo=bare))
        return _Measured(bare_die, (photo.width, photo.height))

    bench = workbench_of(request)
    with _measuring:
        key = f"die {chip} {mosaic_stamp(bench.folder, chip)} {notes.outline!r}"
        return bench.derived(key, measure)


def mosaic_stamp(bench_folder: Path, chip: str) -> str:
    """A name for the present mosaic of a chip, "" where there is none that can be used."""
    try:
        folder = mosaic_of(bench_folder, chip)
        return "" if folder is None else stamp(folder / NUMBERS)
    except Unusable:
        return ""


def _to_look_at(request: Request, results: BenchResults, chip: str, capture_id: str) -> SeenIn:
    tried, _ = captures_with_scale(results, chip)
    if capture_id == mosaic_name(chip) or not tried:
        mosaic = mosaic_of_chip(results, chip, None, [])
        if mosaic is not None:
            return _mosaic(request, mosaic, (mosaic.photo.width, mosaic.photo.height))
    mine = [capture for _, capture, _ in tried if capture.id == capture_id]
    return _capture(request, results, mine[0] if mine else tried[0][1])


def _capture(request: Request, results: BenchResults, capture: Capture) -> SeenIn:
    path = workbench_of(request).files_of(capture)[0]
    size = picture_size(request, results, capture)
    return SeenIn(capture.id, capture.files[0], path, size, capture.box)


def _mosaic(request: Request, picture: DiePicture, size: tuple[int, int]) -> SeenIn:
    path = workbench_of(request).picture_file(picture.name)
    return SeenIn(picture.name, picture.name, path, size, None, True, picture.reduced)


def viewer_data(die: ShownDie) -> dict[str, Any]:
    """All that the viewer needs, as plain data; points are px of the whole photo."""
    width, height = die.seen.size
    return {
        "id": die.seen.id, "chip": die.chip, "width": width, "height": height,
        "tile": limits.TILE_PX, "stamp": stamp(die.seen.path), "pointing_screen_px": SCREEN_U_PX,
        "pixel_um": None if die.result is None else die.result.per_px, "things": things(die),
    }  # fmt: skip


def things(die: ShownDie) -> list[dict[str, Any]]:
    """What is drawn on the picture: outline, pads, places that are none, regions, markings; each with
    the points by which it is moved, and the entry of the notes that it stands in (None: measured)."""
    if die.result is None:
        return []
    result, shift = die.result, die.corner
    corners = result.outline.seen_corners() + shift
    out = [{"kind": "outline", "entry": die.entries.get("outline"), "words": "outline",
            "ring": _plain(die_outline(result) + shift), "points": _plain(corners)}]  # fmt: skip
    for pad in result.pads:
        ring = pad_corners(result, pad.x, pad.y, pad.width, pad.height) + shift
        middle = die.in_photo([(pad.x * result.per_px, pad.y * result.per_px)])
        out.append({
            "kind": "pad", "words": pad.number, "ring": _plain(ring), "points": _plain(middle),
            "entry": entry_of_pad(die, pad), "place": place_of(die, pad),
        })  # fmt: skip
    for entry in die.entries.get("no_pad", []):
        out.append({"kind": "no_pad", "words": "no pad", "entry": entry,
                    "points": _plain(die.in_photo([entry["place"]]))})  # fmt: skip
    for region, entry in zip(die.notes.regions, die.entries.get("region", []), strict=True):
        ring = die.in_photo(region.corners)
        out.append({"kind": "region", "is": region.kind, "words": region.name or region.kind,
                    "entry": entry, "points": _plain(ring)})  # fmt: skip
    for marking, entry in zip(die.notes.markings, die.entries.get("marking", []), strict=True):
        if marking.place is not None:
            out.append({"kind": "marking", "words": marking.text, "entry": entry,
                        "points": _plain(die.in_photo([marking.place]))})  # fmt: skip
    return out


def place_of(die: ShownDie, pad: Pad) -> list[float]:
    """The middle of a pad, um, as it is written into notes."""
    per = 1.0 if die.result is None else die.result.per_px
    return [round(pad.x * per, PLACES), round(pad.y * per, PLACES)]


PLACES = 2
"""Digits of a um, or of a px of the photo, that are kept of what a person points at."""


def entry_of_pad(die: ShownDie, pad: Pad) -> dict[str, Any] | None:
    """The entry of a pad that was put in by hand."""
    if not pad.by_hand:
        return None
    place = np.array(place_of(die, pad))
    entries: list[dict[str, Any]] = die.entries.get("pad", [])
    return min(entries, key=lambda one: float(np.hypot(*(place - np.array(one["place"][:2])))))


def _plain(points: Points) -> list[list[float]]:
    rounded: list[list[float]] = np.round(points, 2).tolist()
    return rounded


def as_text(entry: object) -> str:
    """An entry for a hidden field of a form; "" for none."""
    return "" if entry is None else json.dumps(entry, ensure_ascii=False)
