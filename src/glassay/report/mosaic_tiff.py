"""A mosaic's picture as one OME-TIFF, for programs that read no OME-Zarr."""

from __future__ import annotations

from pathlib import Path

from glassay.errors import Unusable
from glassay.imaging.ome_zarr import CHUNK_PX
from glassay.mosaic import PICTURE, MosaicTiles
from glassay.report.pyramids import write_ome_tiff_by_parts


def write_mosaic_tiff(path: Path, folder: Path, pixel_size_um: float | None) -> None:
    """Write the picture in a mosaic's folder as an OME-TIFF of the same levels and px.

    The picture is read a few of its chunks at a time. Raises `Unusable` when the file cannot be
    written, or the picture not read.
    """
    try:
        picture = MosaicTiles(folder / PICTURE)
        levels, digest = picture.levels, picture.digest
    except (OSError, KeyError, ValueError) as error:
        raise Unusable(f"{folder / PICTURE} cannot be read ({type(error).__name__})") from None
    write_ome_tiff_by_parts(path, levels, pixel_size_um, "mosaic", digest, tile_px=CHUNK_PX)
