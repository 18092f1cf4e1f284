"""A die's picture and its layers as tiles to look closely at, and the IIIF documents about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from glassay.bench.chip.die_layers import LaidLayer
from glassay.bench.chip.die_pictures import MOST_MOSAIC_PX, DiePicture
from glassay.bench.document.die_notes import DieNotes
from glassay.die import DieResult
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.mosaic import MosaicTiles
from glassay.mosaic_files import PICTURE
from glassay.report import iiif
from glassay.report.die_pictures import Places, laid_on_picture
from glassay.report.pictures import Pixels, for_screen

MOST_WHOLE_PX = 8192
"""Longer side of the largest file in which a mosaic is whole: phones decode it (from memory), and the
format ends at 65,500."""


@dataclass(frozen=True)
class Pictures:
    """A die's picture, what was found in it, what is noted by hand, and its layers."""

    picture: DiePicture
    result: DieResult
    notes: DieNotes
    layers: Sequence[LaidLayer] = ()


def write_picture_tiles(folder: Path, picture: DiePicture, address: str = "") -> iiif.Tiled:
    """Write the picture's tiles: of a mosaic from its pyramid, at its own px however large it is.

    Raises `Unusable` when the folder cannot be written, or the mosaic cannot be read.
    """
    name = "as measured"
    if picture.mosaic is None:
        iiif.write_tiles(folder, picture.photo)
        size = (picture.photo.width, picture.photo.height)
        return iiif.Tiled(address, name, size, size)
    try:
        pyramid = MosaicTiles(picture.mosaic / PICTURE)
        write_mosaic_tiles(folder, pyramid)
        width, height = pyramid.size
        level = next(
            n for n, factor in enumerate(iiif.scale_factors(width, height))
            if max(width, height) <= MOST_WHOLE_PX * factor
        )  # fmt: skip
        whole = pyramid.rows(level, 0, -(-height // 2**level))
    except (OSError, ValueError, KeyError, StopIteration) as error:
        raise Unusable(f"{picture.mosaic}: the mosaic in it cannot be read ({error})") from None
    iiif.write_tile(folder, "full/max/0/default.jpg", whole)
    return iiif.Tiled(address, name, (width, height), (whole.shape[1], whole.shape[0]))


def write_mosaic_tiles(folder: Path, picture: MosaicTiles) -> None:
    """Write all tiles of all levels of a mosaic, a row of tiles at a time."""
    width, height = picture.size
    for level, factor in enumerate(iiif.scale_factors(width, height)):
        rows = -(-height // factor)
        for top in range(0, rows, iiif.TILE_PX):
            strip = picture.rows(level, top, min(top + iiif.TILE_PX, rows))
            for path, pixels in iiif.tiles_of_strip(strip, top, factor, width, height):
                iiif.write_tile(folder, path, pixels)


def information(tiled: iiif.Tiled) -> dict[str, object]:
    """The `info.json` of a picture in tiles."""
    return iiif.image_information(tiled.address, *tiled.size, tiled.whole)


def write_documents(
    folder: Path, tiles: str, tiled: iiif.Tiled, address: str, shown: Pictures, said: iiif.Said
) -> None:
    """Write `info.json` into the folder `tiles` of the picture's tiles, and `manifest.json` beside it,
    for a folder that will lie at `address`; and in `layers/` the tiles of every layer that lies on the
    die, laid on its picture, so that what is marked on the one canvas holds in all.

    Raises `Unusable` when the folder cannot be written.
    """
    pictures = [(tiles, tiled)]
    for number, layer in enumerate((one for one in shown.layers if one.lies is not None), 1):
        name = f"{iiif.LAYERS}/{number}"
        pixels = _on_the_picture(shown, layer)
        iiif.write_tiles_of(folder / name, pixels)
        size = (pixels.shape[1], pixels.shape[0])
        pictures.append((name, iiif.Tiled(f"{address}/{name}", layer.layer.name, size, size)))
    for name, one in pictures:
        document = iiif.as_text(information(one))
        write_atomically(folder / name / "info.json", document.encode())
    made = iiif.manifest(
        address, [one for _, one in pictures], shown.result, shown.notes, said,
        shown.picture.reduced,
    )  # fmt: skip
    write_atomically(folder / "manifest.json", iiif.as_text(made).encode())


def _on_the_picture(shown: Pictures, layer: LaidLayer) -> Pixels:
    result, photo = shown.result, shown.picture.photo

    def in_layer(places: Places) -> Places:
        return layer.in_layer(result.outline.to_die(places) * result.per_px)

    return laid_on_picture(
        for_screen(layer.photo, None), in_layer, (photo.width, photo.height), MOST_MOSAIC_PX
    )
