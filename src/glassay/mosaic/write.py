"""A placed mosaic written into a folder: the picture, and the numbers beside it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np

from glassay.mosaic.compare import Progress
from glassay.mosaic.document import as_data
from glassay.mosaic.measure import quiet
from glassay.mosaic.picture import Placed, depth_of
from glassay.mosaic.result import MosaicResult
from glassay.mosaic.schedule import Workers
from glassay.mosaic.store import Canvas, write_document, write_picture
from glassay.mosaic_files import NUMBERS, PICTURE

SOFT_SHARE = 0.7
"""Sharpness, against the set's median, below which a tile is shown only where it must be."""
SOFT_PREFERENCE = 0.25


def write_mosaic(
    result: MosaicResult, folder: Path, workers: Workers | None = None, progress: Progress = quiet
) -> MosaicResult:
    """Write `mosaic.ome.zarr` and `mosaic.json` into `folder`, or finish them after a kill.

    Raises `Unusable` when the folder cannot be written.
    """
    workers = workers or Workers()
    placed = drawn_tiles(result)
    deep = any(tile.deep for _, tile, _, _ in result.drawn)
    size = None if result.pixel_size is None else result.pixel_size.value
    canvas = Canvas(folder / PICTURE, *result.size, deep, size)
    write_picture(canvas, placed, _digest(placed, canvas), workers, progress)
    done = result.in_folder(folder)
    write_document(folder / NUMBERS, as_data(done))
    return done


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
