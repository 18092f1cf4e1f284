"""A placed mosaic written into a folder: the picture, and the numbers beside it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path

import numpy as np

from glassay.errors import Unusable
from glassay.mosaic.compare import Progress
from glassay.mosaic.document import as_document
from glassay.mosaic.measure import quiet
from glassay.mosaic.picture import Placed
from glassay.mosaic.placement import Placement
from glassay.mosaic.result import MosaicResult
from glassay.mosaic.schedule import Workers
from glassay.mosaic.store import Canvas, is_drawn, write_document, write_picture
from glassay.mosaic_files import NUMBERS, PICTURE, plain_names
from glassay.one_writer import one_writer
from glassay.quantity import Quantity

WAIT_S = 1.0
"""How long a drawing waits for another in the same folder, which takes minutes: it is refused."""


def write_mosaic(
    result: MosaicResult, folder: Path, workers: Workers | None = None, progress: Progress = quiet,
    names: Sequence[str] | None = None,
) -> MosaicResult:  # fmt: skip
    """Write `mosaic.ome.zarr` and `mosaic.json` into `folder`, or finish them after a kill.

    `names` are what the photos are called there, their files' own names unless given. Raises
    `Unusable` as `write_placed` does.
    """
    called = plain_names([one.path for one in result.where]) if names is None else names
    write_placed(Placement.of(result), folder, called, result.pixel_size, workers, progress)
    return result.in_folder(folder)


def write_placed(
    placement: Placement, folder: Path, names: Sequence[str], pixel_size: Quantity | None,
    workers: Workers | None = None, progress: Progress = quiet,
    still_so: Callable[[], None] = lambda: None,
) -> None:  # fmt: skip
    """The same of photos that were placed before. `still_so` is asked when all is drawn; what it raises
    leaves no mosaic.

    The numbers are there only while the picture is whole. Raises `Unusable` when the folder cannot be
    written, or another program draws in it.
    """
    workers = workers or Workers()
    size = None if pixel_size is None else pixel_size.value
    canvas = Canvas(folder / PICTURE, *placement.size, placement.deep, size)
    digest = _digest(placement.tiles, canvas)
    with drawing_in(folder):
        if not is_drawn(canvas, digest):
            remove_numbers(folder)
        write_picture(canvas, placement.tiles, digest, workers, progress)
        still_so()
        write_document(folder / NUMBERS, as_document(placement.told, names, pixel_size))


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
