"""A placed mosaic written into a folder: the picture, and the numbers beside it."""

from __future__ import annotations

import hashlib
from contextlib import AbstractContextManager
from pathlib import Path

import numpy as np

from glassay.errors import Unusable
from glassay.mosaic.compare import Progress
from glassay.mosaic.document import as_data
from glassay.mosaic.measure import quiet
from glassay.mosaic.picture import Placed, depth_of
from glassay.mosaic.result import MosaicResult
from glassay.mosaic.schedule import Workers
from glassay.mosaic.store import Canvas, is_drawn, write_document, write_picture
from glassay.mosaic_files import NUMBERS, PICTURE
from glassay.one_writer import one_writer

WAIT_S = 1.0
"""How long a drawing waits for another in the same folder, which takes minutes: it is refused."""

SOFT_SHARE = 0.7
"""Sharpness, against the set's median, below which a tile is shown only where it must be."""
SOFT_PREFERENCE = 0.25


def write_mosaic(
    result: MosaicResult, folder: Path, workers: Workers | None = None, progress: Progress = quiet
) -> MosaicResult:
    """Write `mosaic.ome.zarr` and `mosaic.json` into `folder`, or finish them after a kill.

    The numbers are there only while the picture is whole. Raises `Unusable` when the folder cannot be
    written, or another program draws in it.
    """
    workers = workers or Workers()
    placed = drawn_tiles(result)
    deep = any(tile.deep for _, tile, _, _ in result.drawn)
    size = None if result.pixel_size is None else result.pixel_size.value
    canvas = Canvas(folder / PICTURE, *result.size, deep, size)
    digest = _digest(placed, canvas)
    with drawing_in(folder):
        if not is_drawn(canvas, digest):
            remove_numbers(folder)
        write_picture(canvas, placed, digest, workers, progress)
        done = result.in_folder(folder)
        write_document(folder / NUMBERS, as_data(done))
    return done


def drawing_in(folder: Path) -> AbstractContextManager[None]:
    """Hold a mosaic's folder, made where there is none, while it is drawn or read whole: of two that
    draw at once, one would read for its pyramid what the other has just removed.

    Raises `Unusable` where another program draws in it, or it cannot be made."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Unusable(f"{folder} cannot be written ({error.strerror})") from None
    return one_writer(folder, "drawing", WAIT_S)


def remove_numbers(folder: Path) -> None:
    """What is drawn from here on is no mosaic until it is whole: an earlier one's numbers would be
    taken for those of half a picture. Raises `Unusable` when they cannot be removed."""
    try:
        (folder / NUMBERS).unlink(missing_ok=True)
    except OSError as error:
        raise Unusable(f"{folder} cannot be written ({error.strerror})") from None


def drawn_tiles(result: MosaicResult) -> list[Placed]:
    """The placed tiles with what drawing them needs."""
    usual = float(np.median([tile.sharpness for _, tile, _, _ in result.drawn]))
    out = []
    for place, (_, tile, matrix, lens) in enumerate(result.drawn):
        soft = tile.sharpness < SOFT_SHARE * usual
        out.append(Placed(
            tile.path, tile.digest, tile.tone, matrix, lens, np.exp(-result.light.gains[place]),
            result.light.shading.astype(np.float32), depth_of(tile.valid), tile.cell,
            SOFT_PREFERENCE if soft else 1.0,
        ))  # fmt: skip
    return out


def _digest(placed: list[Placed], canvas: Canvas) -> str:
    """Of everything that the picture depends on."""
    parts = [f"{canvas.width} {canvas.height} {canvas.deep} {canvas.pixel_size_um}"]
    for tile in placed:
        numbers = np.concatenate([
            tile.matrix.ravel(), [tile.lens.k1, tile.lens.k2, tile.preference], tile.gain,
            tile.shading.ravel(),
        ])  # fmt: skip
        parts.append(f"{tile.digest} {tile.tone} " + " ".join(f"{v:.17g}" for v in numbers))
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()
