"""Mosaics of a bench's chips: `mosaics/CHIP/` as `glassay mosaic` wrote it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from glassay.bench.document.model import ReferenceObject
from glassay.bench.document.read import FILE_NAME
from glassay.errors import Unusable
from glassay.mosaic_files import NUMBERS, PICTURE

MOSAICS = "mosaics"
"""Folder of a bench in which they lie."""

IN_TILES = "chip in tiles"
"""Kind of an object of which every photo shows a part."""
CHIPS = ("chip", IN_TILES)
"""Kinds of objects that are dies: seen in one photo, or in a mosaic of several."""


def is_die(thing: ReferenceObject) -> bool:
    """Whether an object is a chip that has a die sheet."""
    return thing.kind in CHIPS


def is_mosaic(folder: Path) -> bool:
    """Whether a folder holds a mosaic that `glassay mosaic` wrote."""
    return (folder / NUMBERS).is_file() and (folder / PICTURE).is_dir()


def mosaic_name(chip: str) -> str:
    """What the mosaic of a chip is called, as captures are: its place in the bench."""
    return f"{MOSAICS}/{chip}"


def mosaic_of(bench_folder: Path, chip: str) -> Path | None:
    """The folder of a chip's mosaic, where there is one.

    Raises `Unusable` where it leads out of the bench: a bench that came from elsewhere may name one's
    own pictures by links; those are not passed on.
    """
    folder = bench_folder / mosaic_name(chip)
    if not is_mosaic(folder):
        return None
    home = bench_folder.resolve()
    if not all(
        (folder / name).resolve().is_relative_to(home / MOSAICS) for name in (NUMBERS, PICTURE)
    ):
        raise Unusable(f"{mosaic_name(chip)} is a link that leads out of the bench's {MOSAICS}")
    return folder


def mosaic_files(bench_folder: Path, chip: str) -> list[Path]:
    """Every file of a chip's mosaic, but the page and tiles that can be made of it again."""
    folder = mosaic_of(bench_folder, chip)
    if folder is None:
        return []
    inside = sorted(path for path in (folder / PICTURE).rglob("*") if path.is_file())
    for path in inside:
        if path.is_symlink():
            raise Unusable(f"{path} is a link; a mosaic's picture must lie in its folder itself")
    return [folder / NUMBERS, *inside]


def names_on_their_bench(photos: Sequence[Path]) -> list[str] | None:
    """What photos are called on the one bench in whose folder all lie; None where there is none."""
    places = [Path(os.path.abspath(photo)) for photo in photos]
    homes = {next((up for up in at.parents if (up / FILE_NAME).is_file()), None) for at in places}
    home = homes.pop() if len(homes) == 1 else None
    return None if home is None else [at.relative_to(home).as_posix() for at in places]
