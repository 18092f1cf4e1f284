"""A picture with its halves, for readers of large pictures: OME-TIFF and OME-Zarr.

The px are those of the photo as it was decoded, 8 or 16 bits; what was read as floating point is
written as it is shown on a screen, in 8 bits.
"""

from __future__ import annotations

import contextlib
import hashlib
import shutil
import uuid
from pathlib import Path
from typing import Any, BinaryIO

import cv2
import numpy as np
import tifffile
import zarr
from zarr.codecs import BloscCodec

from glassay.disk import PART_SUFFIX, put_in_place, write_stream_atomically
from glassay.errors import Unusable
from glassay.imaging import Photo
from glassay.imaging.ome_zarr import CHUNK_PX, level_sizes, ome_attributes
from glassay.imaging.tone import StoredImage
from glassay.report.pictures import for_screen

TIFF_TILE_PX = 256
"""Side of a TIFF's tiles; the format wants multiples of 16."""

UM_IN_CM = 1e4


def stored_levels(photo: Photo) -> list[StoredImage]:
    """The picture and its halves, the picture itself first."""
    pixels = photo.stored if photo.stored.dtype.kind == "u" else for_screen(photo, None)
    levels: list[StoredImage] = [np.ascontiguousarray(pixels)]
    for _ in level_sizes(*pixels.shape[:2])[1:]:
        levels.append(halved(levels[-1]))
    return levels


def halved(pixels: StoredImage) -> StoredImage:
    """A picture of half the size, rounded up: means of 2 x 2 px, so that no place moves; at an odd
    border the last px counts twice."""
    height, width = pixels.shape[:2]
    even = cv2.copyMakeBorder(pixels, 0, height % 2, 0, width % 2, cv2.BORDER_REPLICATE)
    size = (even.shape[1] // 2, even.shape[0] // 2)
    return np.asarray(cv2.resize(even, size, interpolation=cv2.INTER_AREA))


def write_ome_tiff(
    path: Path, levels: list[StoredImage], pixel_size_um: float | None, name: str
) -> None:
    """Write a tiled pyramid as OME-TIFF: halves as sub-images of the first. Raises `Unusable`."""
    first = levels[0]
    colour = first.ndim == 3
    about: dict[str, Any] = {
        "axes": "YXS" if colour else "YX", "Name": name,
        # of the content, so that equal pictures give equal files
        "UUID": str(uuid.UUID(hashlib.sha256(first.tobytes()).hexdigest()[:32])),
    }  # fmt: skip
    resolution: dict[str, Any] = {}
    if pixel_size_um is not None:
        about |= {"PhysicalSizeX": pixel_size_um, "PhysicalSizeXUnit": "µm",
                  "PhysicalSizeY": pixel_size_um, "PhysicalSizeYUnit": "µm"}  # fmt: skip
        resolution = {"resolutionunit": "CENTIMETER"}
    how: dict[str, Any] = {
        "photometric": "rgb" if colour else "minisblack", "tile": (TIFF_TILE_PX, TIFF_TILE_PX),
        "compression": "zlib", "predictor": True, **resolution,
    }  # fmt: skip

    def per_cm(level: int) -> dict[str, Any]:
        if pixel_size_um is None:
            return {}
        density = UM_IN_CM / (pixel_size_um * 2**level)
        return {"resolution": (density, density)}

    def fill(stream: BinaryIO) -> None:
        big = sum(level.nbytes for level in levels) > 2**31
        with tifffile.TiffWriter(stream, ome=True, bigtiff=big) as out:
            out.write(first, subifds=len(levels) - 1, metadata=about, **per_cm(0), **how)
            for number, level in enumerate(levels[1:], 1):
                out.write(level, subfiletype=1, metadata=None, **per_cm(number), **how)

    write_stream_atomically(path, fill)


def write_ome_zarr(
    folder: Path, levels: list[StoredImage], pixel_size_um: float | None, name: str
) -> None:
    """Write an OME-Zarr 0.5 group: made beside and put in place when it is whole.

    Raises `Unusable` when the folder cannot be written, or is something else than such a group.
    """
    if folder.exists() and not (folder / "zarr.json").is_file():
        raise Unusable(f"{folder} exists and is no OME-Zarr; name another place")
    part = folder.with_name(f".{folder.name}{PART_SUFFIX}")
    try:
        shutil.rmtree(part, ignore_errors=True)
        group = zarr.open_group(str(part), mode="w", zarr_format=3)
        for number, level in enumerate(levels):
            planes = np.moveaxis(level, -1, 0) if level.ndim == 3 else level[None]
            array = group.create_array(
                str(number), shape=planes.shape, chunks=(planes.shape[0], CHUNK_PX, CHUNK_PX),
                dtype=planes.dtype, dimension_names=["c", "y", "x"],
                compressors=BloscCodec(cname="zstd", clevel=3, shuffle="bitshuffle"),
            )  # fmt: skip
            array[...] = planes
        most = int(np.iinfo(levels[0].dtype).max)
        group.attrs["ome"] = ome_attributes(
            name, len(levels), pixel_size_um, most, colour=levels[0].ndim == 3
        )
        put_in_place(part, folder)
    except OSError as error:
        raise Unusable(f"{folder} cannot be written ({error.strerror})") from None
    finally:
        with contextlib.suppress(OSError):
            shutil.rmtree(part, ignore_errors=True)
