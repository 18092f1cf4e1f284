"""From which picture of a chip its die is measured: of a bench the finest in which it lies wholly."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from glassay.bench.document.die_notes import NOTHING_NOTED, DieNotes, notes_file, read_die_notes
from glassay.bench.document.model import Capture
from glassay.bench.keeping.results import BenchResults, CaptureResult, SettingResult
from glassay.bench.measuring.methods.mosaic import LENGTHS
from glassay.bench.measuring.resolved import finest_in
from glassay.die import DieResult, corrected, measure_die
from glassay.disk import content_hash
from glassay.errors import NotMeasurable, Unusable
from glassay.imaging import Photo, read_photo
from glassay.quantity import Contribution, Quantity

MOSAIC_NUMBERS, MOSAIC_PICTURE = "mosaic.json", "mosaic.ome.zarr"

MOST_MOSAIC_PX = 80_000_000
"""Of a mosaic the finest level of its pyramid with no more px than this is measured in: a die of 80
megapixels takes some 2 GB."""


@dataclass(frozen=True)
class DiePicture:
    """A picture of a die: photo, size of its px (um), the finest line its instrument tells (um),
    whether it is free of distortion, and who took it."""

    photo: Photo
    pixel_size: Quantity | None
    told_um: float | None
    flat: bool
    name: str
    taken_with: str = ""
    tiles: tuple[Path, ...] = ()
    """The photos that it was put together from."""

    def digest(self) -> str:
        """Of the file that it is, the numbers of the mosaic that it was read from, or all its tiles."""
        if self.tiles:
            every = " ".join(content_hash(path) for path in self.tiles)
            return hashlib.sha256(every.encode()).hexdigest()
        path = self.photo.path
        return content_hash(path if path.is_file() else path.parent / MOSAIC_NUMBERS)

    def measured(self) -> DieResult:
        """The die in it. Raises `NotMeasurable`."""
        grey = self.photo.measuring_grey()
        return measure_die(
            grey, self.pixel_size, told_um=self.told_um, frame=self.photo.frame, flat=self.flat
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


def best_die(results: BenchResults, chip: str, notes: Path | None = None) -> ChosenPicture:
    """The die of a chip of a bench, in the capture of the finest setting that shows it wholly; in its
    mosaic if it is a chip in tiles.

    `results` are those of `glassay run`; `notes` a file of notes by hand other than the bench's own.
    Raises `Unusable` where there is no such chip or no capture
    of it with a known pixel size, and `NotMeasurable` where no capture shows a die wholly.
    """
    thing = results.bench.object(chip)
    if thing.kind == "chip in tiles":
        return _die_in_tiles(results, chip, notes)
    if thing.kind != "chip":
        raise Unusable(f"{chip!r} is a {thing.kind}, not a chip")
    settings = {(s.instrument.id, s.setting.id): s for s in results.settings}
    mine = [c.capture for c in results.captures if c.capture.object == chip]
    tried: list[tuple[float, Capture, SettingResult]] = []
    passed: list[tuple[str, str]] = []
    for capture in mine:
        one = settings.get((capture.instrument, capture.setting))
        if one is None or "pixel_size" not in one.findings:
            passed.append((capture.id, "the pixel size of its setting is not known"))
            continue
        told = finest_in(one, results.captures)
        tried.append((math.inf if told is None else told.line.value, capture, one))
    if not tried:
        raise Unusable(
            f"no capture of {chip!r} has a known pixel size: `glassay shots` says what to photograph"
        )
    for told_um, capture, one in sorted(tried, key=lambda t: t[0]):
        try:
            picture = _of_capture(results, capture, one, told_um)
            measured = picture.measured()
        except (NotMeasurable, Unusable) as error:
            passed.append((capture.id, str(error)))
            continue
        own = notes or notes_file(results.bench.folder, chip)
        result, said, name = noted(measured, own)
        return ChosenPicture(picture, result, tuple(passed), said, name)
    told_all = "; ".join(f"{name}: {why}" for name, why in passed)
    raise NotMeasurable(f"no capture of {chip!r} shows its die wholly ({told_all})")


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


def _die_in_tiles(results: BenchResults, chip: str, notes: Path | None) -> ChosenPicture:
    """The die in the first mosaic of a chip in tiles that shows it; tiles are placed anew."""
    passed: list[tuple[str, str]] = []
    for one in results.captures:
        if one.capture.object != chip:
            continue
        try:
            picture = _of_tiles(results, one)
            measured = picture.measured()
        except (NotMeasurable, Unusable) as error:
            passed.append((one.capture.id, str(error)))
            continue
        own = notes or notes_file(results.bench.folder, chip)
        result, said, name = noted(measured, own)
        return ChosenPicture(picture, result, tuple(passed), said, name)
    told_all = "; ".join(f"{name}: {why}" for name, why in passed) or "there is none"
    raise NotMeasurable(f"no capture of {chip!r} shows its die wholly ({told_all})")


def _of_tiles(results: BenchResults, one: CaptureResult) -> DiePicture:
    from glassay.mosaic import overview, place_tiles

    bench, capture = results.bench, one.capture
    if one.status != "measured":
        raise NotMeasurable(one.reason or "it was not measured yet")
    instrument = bench.instrument(capture.instrument)
    setting = instrument.setting(capture.setting)
    paths = bench.paths(capture)
    placed = place_tiles(paths, tone=setting.tone)
    width, height = placed.size
    longest = math.sqrt(MOST_MOSAIC_PX * max(width, height) / min(width, height))
    picture, across = overview(placed, int(longest))
    size = _size_of({"findings": {"width": one.findings[LENGTHS[0]].as_json()}}, width, across[0])
    if size is None:
        raise Unusable("the pixel size of its tiles is not known")
    photo = Photo(paths[0].parent / "mosaic", picture, "srgb")
    by = f"{instrument.title}, {setting.title}"
    return DiePicture(photo, size, None, True, capture.id, by, tuple(paths))


def mosaic_picture(folder: Path) -> DiePicture:
    """The picture of a mosaic that `glassay mosaic` wrote, at the finest level that can be held.

    Raises `Unusable` when the folder holds none, or a damaged one.
    """
    import zarr

    try:
        numbers = json.loads((folder / MOSAIC_NUMBERS).read_text(encoding="utf-8"))
        store = folder / MOSAIC_PICTURE
        many = len(list(zarr.open_group(str(store), mode="r").array_keys()))
        levels = [zarr.open_array(str(store / str(n)), mode="r") for n in range(many)]
        level = next(
            n for n, one in enumerate(levels) if math.prod(one.shape[1:]) <= MOST_MOSAIC_PX
        )
        stored = np.moveaxis(np.asarray(levels[level][...]), 0, -1)
        size = _size_of(numbers, int(levels[0].shape[2]), 2**level)
    except (OSError, ValueError, KeyError, StopIteration, AttributeError, TypeError) as error:
        raise Unusable(f"{folder}: the mosaic in it cannot be read ({error})") from None
    photo = Photo(folder / MOSAIC_PICTURE, np.ascontiguousarray(stored), "srgb")
    return DiePicture(photo, size, None, True, str(folder), "a mosaic")


def is_mosaic(folder: Path) -> bool:
    """Whether a folder holds a mosaic that `glassay mosaic` wrote."""
    return (folder / MOSAIC_NUMBERS).is_file() and (folder / MOSAIC_PICTURE).is_dir()


def _size_of(numbers: dict[str, Any], px: int, factor: float) -> Quantity | None:
    """Size of a px at a level, from the mosaic's width in um over its width in px."""
    width = Quantity.from_json(numbers["findings"]["width"])
    if width.unit == "px":
        return None
    parts = tuple(
        Contribution(p.source, p.u / px * factor, p.dof, p.identity, p.scope)
        for p in width.contributions if p.source != "outline"
    )  # fmt: skip
    return Quantity(width.value / px * factor, "um/px", parts)
