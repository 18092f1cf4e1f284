"""A mosaic that was drawn on the bench, made the picture of its chip by one act of a person.

What is drawn lies in `results/`, which may be deleted and is not packed; a chip's die, what is noted of
it by hand and what is published rest on `mosaics/CHIP/`. A picture gets there whole or not at all, and
what lay there before is moved aside, never written over or removed.
"""

from __future__ import annotations

import contextlib
import datetime
import os
import secrets
import shutil
from dataclasses import dataclass
from pathlib import Path

from glassay.bench.chip.mosaic_picture import MosaicPicture
from glassay.bench.document.chip_mosaics import mosaic_name, mosaic_of
from glassay.bench.document.model import Bench
from glassay.disk import PART_SUFFIX, content_hash, refuse_links
from glassay.errors import Unusable
from glassay.mosaic_files import NUMBERS, PICTURE
from glassay.one_writer import one_writer

NO_SCALE = "its lengths are in px: photograph a scale in the same setting, and it can be that"


@dataclass(frozen=True)
class InPlace:
    """What lies where the mosaic of a chip belongs: by `mark` one is told from another ("" where there
    is none); `photos` is of how many it is made, None where it does not tell; `day` when it came."""

    mark: str
    photos: int | None = None
    day: str = ""


def in_place(bench: Bench, chip: str) -> InPlace:
    """What lies where the mosaic of a chip belongs.

    Raises `Unusable` where that is a link, or something else than a whole mosaic."""
    from glassay.mosaic import MosaicDocument

    folder = refuse_links(bench.folder / mosaic_name(chip), bench.folder)
    if mosaic_of(bench.folder, chip) is None:
        if folder.exists() and not _is_empty(folder):
            raise Unusable(
                f"{mosaic_name(chip)} holds something else than a whole mosaic: one that is being"
                " drawn, or was broken off; finish it, or move it elsewhere"
            )
        return InPlace("")
    came = datetime.date.fromtimestamp((folder / NUMBERS).stat().st_mtime)
    photos = None
    with contextlib.suppress(Unusable):  # an earlier version wrote it
        photos = MosaicDocument.read(folder).placed
    return InPlace(content_hash(folder / NUMBERS), photos, came.isoformat())


def _is_empty(folder: Path) -> bool:
    """Whether nothing but what locks it is in a folder."""
    return folder.is_dir() and all(path.suffix == ".lock" for path in folder.iterdir())


def use_as_picture(bench: Bench, chip: str, drawn: MosaicPicture, instead: str) -> str:
    """Copy a drawn mosaic to where that of its chip belongs: made beside, and put in place whole.

    `instead` is the `mark` of what a person saw there. What is there is moved aside, to the name in the
    bench that is given back ("" where nothing was there); a kill just between leaves none in place, and
    both whole. Raises `Unusable` where something else is there meanwhile, the mosaic is not drawn or
    has no scale, or the folder cannot be written.
    """
    from glassay.mosaic import MosaicTiles, drawing_in

    if drawn.document() is None:
        raise Unusable("the picture is not drawn yet")
    if drawn.pixel_size is None:
        raise Unusable(NO_SCALE)
    folder = bench.folder / mosaic_name(chip)
    with one_writer(bench.folder, "mosaics"), drawing_in(drawn.folder):
        if in_place(bench, chip).mark != instead:
            raise Unusable(
                f"{mosaic_name(chip)} holds another mosaic than when this page was opened; nothing was"
                " changed, look at it again"
            )
        try:
            for left in folder.parent.glob(f".*{PART_SUFFIX}"):  # a killed program's: we are alone
                shutil.rmtree(left, ignore_errors=True)
            part = folder.with_name(f".{chip}.{secrets.token_hex(4)}{PART_SUFFIX}")
            try:
                _copy(drawn.folder, part)
                MosaicTiles(part / PICTURE)
                return _put(part, folder, aside=bool(instead))
            finally:
                shutil.rmtree(part, ignore_errors=True)
        except OSError as error:
            raise Unusable(f"{folder} cannot be written ({error.strerror})") from None


def _put(part: Path, folder: Path, *, aside: bool) -> str:
    before = ""
    if aside:
        now = datetime.datetime.now().strftime("%Y-%m-%d %H.%M.%S")
        kept = folder.with_name(f"{folder.name} until {now}")  # with its spaces no chip's id
        if kept.exists():
            raise Unusable(f"{kept} is there already; try again in a moment")
        folder.rename(kept)
        before = f"{folder.parent.name}/{kept.name}"
    elif folder.exists():  # empty but for its lock
        shutil.rmtree(folder)
    part.rename(folder)
    return before


def _copy(source: Path, part: Path) -> None:
    """The mosaic in a folder. Parts of the picture, which are never written into again but removed
    first, are linked where the disk can do that: they can be gigabytes."""
    part.mkdir(parents=True)
    shutil.copyfile(source / NUMBERS, part / NUMBERS)
    for path in sorted((source / PICTURE).rglob("*")):
        within = path.relative_to(source)
        target = part / within
        if path.is_symlink():
            raise Unusable(f"{path} is a link; a mosaic's picture must lie in its folder itself")
        if path.is_dir():
            target.mkdir(parents=True, exist_ok=True)
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        if "c" in within.parts:  # zarr's name for the folders of parts
            with contextlib.suppress(OSError):
                os.link(path, target)
                continue
        shutil.copyfile(path, target)
