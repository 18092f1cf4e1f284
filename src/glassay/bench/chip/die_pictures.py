"""From which picture of a chip its die is measured: of a bench the finest in which it lies wholly."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from glassay.bench.document.chip_mosaics import IN_TILES, is_die, mosaic_name, mosaic_of
from glassay.bench.document.die_notes import NOTHING_NOTED, DieNotes, OutlineByHand, notes_file
from glassay.bench.document.model import Capture
from glassay.bench.document.read_die_notes import read_die_notes
from glassay.bench.keeping.results import (
    SCALE_IN_DOUBT,
    BenchResults,
    CaptureResult,
    SettingResult,
)
from glassay.bench.measuring.mosaic_lengths import mosaic_pixel_size
from glassay.bench.measuring.resolved import CALIBRATIONS_APART, finest_in
from glassay.bench.saying.words import say
from glassay.die import DieResult, PointedOutline, corrected, measure_die
from glassay.errors import NotMeasurable, Unusable
from glassay.imaging import Photo, read_photo
from glassay.mosaic_files import NUMBERS, PICTURE
from glassay.quantity import Contribution, Quantity, combine

MOST_MOSAIC_PX = 80_000_000
"""Of a mosaic the finest level of its pyramid with no more px than this is measured in: a die of 80
megapixels takes some 2 GB."""


@dataclass(frozen=True)
class DiePicture:
    """A picture of a die: photo, size of its px (um), the finest line its instrument tells (um),
    whether it is free of distortion, and who took it; of a mosaic its folder, and how many of the
    mosaic's px are one of the photo's, across and down."""

    photo: Photo
    pixel_size: Quantity | None
    told_um: float | None
    flat: bool
    name: str
    taken_with: str = ""
    mosaic: Path | None = None
    reduced: int = 1

    def pointed(self, outline: OutlineByHand | None) -> PointedOutline | None:
        """An outline set in px of the whole mosaic, or of this photo, as px of this photo."""
        if outline is None or self.reduced == 1:
            return None if outline is None else outline.pointed
        set_in, many = outline.pointed, self.reduced
        corners = tuple(((u + 0.5) / many - 0.5, (v + 0.5) / many - 0.5) for u, v in set_in.corners)
        return PointedOutline(corners, set_in.u_px / many)

    def measured(self, pointed: PointedOutline | None = None) -> DieResult:
        """The die in it, within the outline that a person set (px of this picture) if there is one.

        Raises `NotMeasurable`, and `Unusable` for an outline that does not lie in the picture."""
        grey = self.photo.measuring_grey()
        result = measure_die(
            grey, self.pixel_size, told_um=self.told_um, frame=self.photo.frame, flat=self.flat,
            pointed=pointed,
        )  # fmt: skip
        if self.mosaic is None or self.reduced == 1:
            return result
        # a pitch of 3.8 um, gone at 2.4 um/px, left one of 14 um the finest: only full size tells
        from glassay.bench.chip.finest_in_mosaic import finest_at_full_size

        is_green = self.photo.is_measured_in_green
        return result.with_finest(
            finest_at_full_size(self.mosaic, result.outline, self.reduced, is_green)
        )


@dataclass(frozen=True)
class ChosenPicture:
    """The picture that was taken, what it gave with a person's corrections, why finer ones were not:
    (capture, reason); and what is noted by hand, with the name of its file."""

    picture: DiePicture
    result: DieResult
    passed_over: tuple[tuple[str, str], ...]
    notes: DieNotes = NOTHING_NOTED
    notes_file: str = ""


def noted(result: DieResult, path: Path | None) -> tuple[DieResult, DieNotes, str]:
    """A die with what a person corrected, and the notes that say so with the name of their file.

    Raises `Unusable` where the notes cannot be read, or name places on a die that has no scale.
    """
    if path is None:
        return result, NOTHING_NOTED, ""
    if result.pixel_size is None:
        raise Unusable(f"{path.name}: places in um need a pixel size")
    notes = read_die_notes(path, result.height.value)
    try:
        return corrected(result, notes.corrections), notes, path.name
    except Unusable as error:
        raise Unusable(f"{path.name}: {error}") from None


def die_in(picture: DiePicture, notes: Path | None) -> tuple[DieResult, DieNotes, str]:
    """The die in one picture as `noted` tells it, within the outline that the notes set, if they do.

    Raises `NotMeasurable` and `Unusable` as measuring and `noted` do."""
    outline = None if notes is None else read_die_notes(notes).outline
    return noted(picture.measured(picture.pointed(outline)), notes)


def best_die(results: BenchResults, chip: str, notes: Path | None = None) -> ChosenPicture:
    """The die of a chip of a bench with what is noted of it by hand.

    `results` are those of `glassay run`; `notes` a file of notes by hand other than the bench's own.
    Raises as `found_die` and `noted` do.
    """
    own = notes or notes_file(results.bench.folder, chip)
    found = found_die(results, chip, None if own is None else read_die_notes(own).outline)
    result, said, name = noted(found.result, own)
    return ChosenPicture(found.picture, result, found.passed_over, said, name)


@dataclass(frozen=True)
class FoundDie:
    """A die as it was measured, before any correction but that of its outline; its picture; the capture
    that this is (all or a part of), or None of a mosaic; and what was passed over, each with the
    reason."""

    picture: DiePicture
    result: DieResult
    capture: Capture | None
    passed_over: tuple[tuple[str, str], ...]


def found_die(results: BenchResults, chip: str, outline: OutlineByHand | None = None) -> FoundDie:
    """The die of a chip in its mosaic, else in the capture of the finest setting that shows it wholly,
    or in the one of these in which a person set the outline.

    Raises `Unusable` where there is no such chip or no picture of it with a known pixel size, and
    `NotMeasurable` where no picture shows a die wholly.
    """
    tried, passed = captures_with_scale(results, chip)
    mosaic = mosaic_of_chip(results, chip, outline, passed)
    if mosaic is not None:
        try:
            result = mosaic.measured(mosaic.pointed(outline))
        except (NotMeasurable, Unusable) as error:
            if outline is not None or (not tried and isinstance(error, NotMeasurable)):
                raise type(error)(f"{mosaic.name}: {error}") from None
            passed.append((mosaic.name, str(error)))
        else:
            less = "its mosaic was taken, in which lengths hold across all photos"
            passed += [(capture.id, less) for _, capture, _ in tried]
            return FoundDie(mosaic, result, None, tuple(passed))
    if outline is not None:
        tried, left_out = _where_set(tried, outline)
        passed += [(name, "the outline was set by hand in another capture") for name in left_out]
    if not tried:
        if results.bench.object(chip).kind != "chip":
            raise Unusable(_no_mosaic(chip, passed))
        if doubtful := [name for name, why in passed if why == SCALE_IN_DOUBT]:
            raise Unusable(f"no um can be told of {chip!r}: {doubtful[0]}: {SCALE_IN_DOUBT}")
        raise Unusable(
            f"no capture of {chip!r} has a known pixel size: "
            + results.run_or("photograph a scale in the setting of one")
        )
    for told_um, capture, one in tried:
        try:
            picture = _of_capture(results, capture, one, told_um)
            pointed = None if outline is None else seen_from(outline.pointed, capture.box)
            return FoundDie(picture, picture.measured(pointed), capture, tuple(passed))
        except (NotMeasurable, Unusable) as error:
            passed.append((capture.id, str(error)))
    told_all = "; ".join(f"{name}: {why}" for name, why in passed)
    raise NotMeasurable(f"no capture of {chip!r} shows its die wholly ({told_all})")


def mosaic_of_chip(
    results: BenchResults, chip: str, outline: OutlineByHand | None, passed: list[tuple[str, str]]
) -> DiePicture | None:
    """The mosaic of a chip, with its scale; None where there is none, or none that can be used (not for
    an outline that was set by hand in a capture), of which `passed` is told why."""
    name = mosaic_name(chip)
    try:
        folder = mosaic_of(results.bench.folder, chip)
        if folder is None:
            return None
        if outline is not None and outline.capture not in ("", name):
            raise Unusable("the outline was set by hand in a capture")
        picture = mosaic_picture(folder)
        if picture.pixel_size is None:
            raise Unusable("its lengths are in px: the size of a px is not known")
        tiles = _tiles_of(results, chip, folder)
        if any(results.is_scale_doubtful(one) for one in _settings_of(results, tiles)):
            raise Unusable(SCALE_IN_DOUBT)
        _hold_scales(results, tiles, picture.pixel_size.scaled(1 / picture.reduced, "um/px"))
    except Unusable as error:
        passed.append((name, str(error)))
        return None
    return replace(picture, name=name)


def _tiles_of(results: BenchResults, chip: str, folder: Path) -> list[CaptureResult]:
    """The captures of the bench of which the mosaic of a chip is made."""
    numbers = json.loads((folder / NUMBERS).read_text(encoding="utf-8"))
    tiles = numbers.get("tiles")
    files = {
        str(tile.get("file")) for tile in (tiles if isinstance(tiles, list) else ())
        if isinstance(tile, dict)
    }  # fmt: skip
    in_tiles = results.bench.object(chip).kind == IN_TILES
    return [
        one for one in results.captures
        if (in_tiles and one.capture.object == chip) or not files.isdisjoint(one.capture.files)
    ]  # fmt: skip


def _settings_of(results: BenchResults, tiles: Sequence[CaptureResult]) -> list[SettingResult]:
    places = {(one.capture.instrument, one.capture.setting) for one in tiles}
    return [one for one in results.settings if (one.instrument.id, one.setting.id) in places]


def _hold_scales(
    results: BenchResults, tiles: Sequence[CaptureResult], of_mosaic: Quantity
) -> None:
    """Raises `Unusable` where the bench measured another pixel size of a mosaic's tiles than the
    mosaic was made with."""
    for one in tiles:
        size, _ = mosaic_pixel_size(results.bench, one, results.captures)
        if size is None:
            continue
        off = combine(lambda mine, theirs: mine / theirs - 1, (of_mosaic, size), "1")
        if abs(off.value) > off.expanded + CALIBRATIONS_APART:
            raise Unusable(
                f"it was made with {say(of_mosaic, ' um')} a px, and the bench measured"
                f" {say(size, ' um')} a px for its tiles ({one.capture.id}); make it again with the"
                " scale of the bench, or photograph the scale again"
            )


def _no_mosaic(chip: str, passed: list[tuple[str, str]]) -> str:
    name = mosaic_name(chip)
    why = "; ".join(f"{one}: {reason}" for one, reason in passed if one == name)
    return why or (
        f"{chip!r} is photographed in tiles, and no mosaic of them is its picture yet: the workbench"
        f" draws one and makes it that, or `glassay mosaic` writes one into the bench's {name}"
    )


def seen_from(pointed: PointedOutline, box: tuple[int, int, int, int] | None) -> PointedOutline:
    """Corners in px of a whole photo as those of the part of it at `box`."""
    x, y = (0, 0) if box is None else box[:2]
    return replace(pointed, corners=tuple((u - x, v - y) for u, v in pointed.corners))


Tried = tuple[float, Capture, SettingResult]
"""What its setting tells (um; infinite where that is not known), a capture, its setting."""


def captures_with_scale(
    results: BenchResults, chip: str
) -> tuple[list[Tried], list[tuple[str, str]]]:
    """Captures of a chip that have a pixel size, the finest first, and the others with the reason.

    Raises `Unusable` where there is no such chip."""
    thing = results.bench.object(chip)
    if not is_die(thing):
        raise Unusable(f"{chip!r} is a {thing.kind}, not a chip")
    settings = {(s.instrument.id, s.setting.id): s for s in results.settings}
    mine = [c.capture for c in results.captures if c.capture.object == chip]
    tried: list[Tried] = []
    passed: list[tuple[str, str]] = []
    if thing.kind != "chip":
        return [], [(capture.id, "each of its photos shows a part of the chip") for capture in mine]
    for capture in mine:
        one = settings.get((capture.instrument, capture.setting))
        if one is None or "pixel_size" not in one.findings:
            passed.append((capture.id, "the pixel size of its setting is not known"))
            continue
        if results.is_scale_doubtful(one):
            passed.append((capture.id, SCALE_IN_DOUBT))
            continue
        told = finest_in(one, results.captures)
        tried.append((math.inf if told is None else told.line.value, capture, one))
    return sorted(tried, key=lambda one: one[0]), passed


def _where_set(tried: list[Tried], outline: OutlineByHand) -> tuple[list[Tried], list[str]]:
    """The capture in which the outline was set, and the ids of the others."""
    if not outline.capture and len(tried) > 1:
        raise Unusable("outline: say in which capture it was set, as capture")
    mine = [one for one in tried if outline.capture in ("", one[1].id)]
    if not mine:
        raise Unusable(
            f"outline: {outline.capture!r} is no capture of this chip with a known pixel size"
        )
    return mine, [one[1].id for one in tried if one not in mine]


def picture_of_capture(results: BenchResults, capture_id: str) -> DiePicture:
    """The picture of a capture of a chip, with the pixel size of its setting where that is known.

    Raises `Unusable` where there is no such capture of a chip."""
    mine = [c.capture for c in results.captures if c.capture.id == capture_id]
    if not mine or results.bench.object(mine[0].object).kind != "chip":
        raise Unusable(f"{capture_id!r} is no capture of a chip on this bench")
    tried, _ = captures_with_scale(results, mine[0].object)
    for told_um, capture, one in tried:
        if capture.id == capture_id:
            return _of_capture(results, capture, one, told_um)
    photo = read_photo(results.bench.paths(mine[0])[0])
    if mine[0].box is not None:
        photo = photo.crop(mine[0].box)
    return DiePicture(photo, None, None, False, capture_id)


def _of_capture(
    results: BenchResults, capture: Capture, one: SettingResult, told_um: float
) -> DiePicture:
    photo = read_photo(results.bench.paths(capture)[0])
    if one.picture is not None and (photo.width, photo.height) != one.picture:
        raise Unusable("its picture is of another size than those that the pixel size belongs to")
    if capture.box is not None:
        photo = photo.crop(capture.box)
    return DiePicture(
        photo, one.findings["pixel_size"].quantity, told_um if math.isfinite(told_um) else None, False,
        capture.id, f"{one.instrument.title}, {one.setting.title}",
    )  # fmt: skip


def mosaic_picture(folder: Path, most_px: int = MOST_MOSAIC_PX) -> DiePicture:
    """The picture of a mosaic that `glassay mosaic` wrote, at the finest level of at most so many px.

    Raises `Unusable` when the folder holds none, or a damaged one.
    """
    from glassay.mosaic import MosaicTiles

    try:
        numbers = json.loads((folder / NUMBERS).read_text(encoding="utf-8"))
        levels = MosaicTiles(folder / PICTURE).levels
        level = next(n for n, one in enumerate(levels) if one.shape[0] * one.shape[1] <= most_px)
        height, width, _ = levels[level].shape
        stored = levels[level].part(0, 0, width, height)
        size = _size_of(numbers, levels[0].shape[1], 2**level)
        tiles = numbers["findings"].get("tiles_placed", {}).get("value")
    except (OSError, ValueError, KeyError, StopIteration, AttributeError, TypeError) as error:
        raise Unusable(f"{folder}: the mosaic in it cannot be read ({error})") from None
    # its numbers tell it from others: they say where every tile lies
    photo = Photo(folder / NUMBERS, stored, "srgb")
    taken = f"a mosaic of {tiles} photos" if isinstance(tiles, int) else "a mosaic"
    if level:
        taken += f", reduced {2**level} times to be measured"
    return DiePicture(photo, size, None, True, str(folder), taken, folder, 2**level)


def _size_of(numbers: dict[str, Any], px: int, factor: int) -> Quantity | None:
    """Size of a px at a level, from the mosaic's width in um over its width in px."""
    width = Quantity.from_json(numbers["findings"]["width"])
    if width.unit == "px":
        return None
    parts = tuple(
        Contribution(p.source, p.u / px * factor, p.dof, p.identity, p.scope)
        for p in width.contributions if p.source != "outline"
    )  # fmt: skip
    return Quantity(width.value / px * factor, "um/px", parts)
