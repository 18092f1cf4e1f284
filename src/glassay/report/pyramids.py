"""A picture with its halves, for readers of large pictures: OME-TIFF and OME-Zarr.

The px are those of the photo as it was decoded, 8 or 16 bits; what was read as floating point is
written as it is shown on a screen, in 8 bits.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import shutil
import uuid
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Protocol

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

PIECE_TILES = 8
"""Tiles beside each other that are read at once."""

BUFFER_BYTES = 1 << 24
"""About what is compressed at once, uncompressed."""

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


class Level(Protocol):
    """A picture, or one of its halves, of which parts are read: `shape` (h, w) or (h, w, 3)."""

    @property
    def shape(self) -> tuple[int, ...]: ...
    @property
    def dtype(self) -> np.dtype[Any]: ...
    def part(self, left: int, top: int, width: int, height: int) -> StoredImage:
        """What lies there, cut off at the picture's border."""


@dataclass(frozen=True, eq=False)
class _Held:
    """A level that is in memory as a whole."""

    pixels: StoredImage

    @property
    def shape(self) -> tuple[int, ...]:
        return self.pixels.shape

    @property
    def dtype(self) -> np.dtype[Any]:
        return self.pixels.dtype

    def part(self, left: int, top: int, width: int, height: int) -> StoredImage:
        return self.pixels[top : top + height, left : left + width]


def write_ome_tiff(
    path: Path, levels: Sequence[StoredImage], pixel_size_um: float | None, name: str
) -> None:
    """Write a tiled pyramid as OME-TIFF: halves as sub-images of the first. Raises `Unusable`."""
    content = hashlib.sha256(levels[0].tobytes()).hexdigest()
    write_ome_tiff_by_parts(path, [_Held(one) for one in levels], pixel_size_um, name, content)


def write_ome_tiff_by_parts(
    path: Path, levels: Sequence[Level], pixel_size_um: float | None, name: str, content: str,
    tile_px: int = TIFF_TILE_PX,
) -> None:  # fmt: skip
    """The same of levels that are read a part at a time, so that memory does not grow with them.

    `content` (hexadecimal, 32 digits and more) is another for other pictures; `tile_px` is a multiple
    of 16. Source: the OME-TIFF specification, and TIFF 6.0 with its tiles and SubIFDs.
    """
    first = levels[0]
    colour = len(first.shape) == 3
    about: dict[str, Any] = {
        "axes": "YXS" if colour else "YX", "Name": name,
        # of the content, so that equal pictures give equal files
        "UUID": str(uuid.UUID(content[:32])),
    }  # fmt: skip
    resolution: dict[str, Any] = {}
    if pixel_size_um is not None:
        about |= {"PhysicalSizeX": pixel_size_um, "PhysicalSizeXUnit": "µm",
                  "PhysicalSizeY": pixel_size_um, "PhysicalSizeYUnit": "µm"}  # fmt: skip
        resolution = {"resolutionunit": "CENTIMETER"}
    how: dict[str, Any] = {
        "photometric": "rgb" if colour else "minisblack", "tile": (tile_px, tile_px),
        "compression": "zlib", "predictor": True, "buffersize": BUFFER_BYTES, **resolution,
    }  # fmt: skip

    def per_cm(level: int) -> dict[str, Any]:
        if pixel_size_um is None:
            return {}
        density = UM_IN_CM / (pixel_size_um * 2**level)
        return {"resolution": (density, density)}

    def fill(stream: BinaryIO) -> None:
        big = sum(math.prod(one.shape) * one.dtype.itemsize for one in levels) > 2**31
        with tifffile.TiffWriter(stream, ome=True, bigtiff=big) as out:
            for number, level in enumerate(levels):
                role: dict[str, Any] = {"subfiletype": 1, "metadata": None}
                if number == 0:
                    role = {"subifds": len(levels) - 1, "metadata": about}
                out.write(
                    _tiles(level, tile_px), shape=level.shape, dtype=level.dtype, **role,
                    **per_cm(number), **how,
                )  # fmt: skip

    write_stream_atomically(path, fill)


def _tiles(level: Level, side: int) -> Iterator[StoredImage]:
    """The tiles of a level, row by row, each whole: beyond the border they are black."""
    height, width = level.shape[:2]
    for top in range(0, height, side):
        for left in range(0, width, PIECE_TILES * side):
            piece = level.part(left, top, min(PIECE_TILES * side, width - left), side)
            for x in range(0, piece.shape[1], side):
                seen = piece[:, x : x + side]
                tile = np.zeros((side, side, *level.shape[2:]), level.dtype)
                tile[: seen.shape[0], : seen.shape[1]] = seen
                yield tile


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
