"""The mosaic on disk: an OME-Zarr picture with its pyramid, written shard by shard.

Format: OME-Zarr 0.5 (zarr 3), axes c, y, x, chunks gathered in shards. A shard that is written is
noted in a journal beside; after a kill, only what is missing is made. A shard of nothing but black has
no file (zarr's way): the journal says so, so that a file that is lost, or was not written yet, is not
taken for one.
"""

from __future__ import annotations

import contextlib
import itertools
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import zarr
from zarr.codecs import BloscCodec

from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.imaging.ome_zarr import CHUNK_PX, level_sizes, ome_attributes
from glassay.mosaic.picture import Placed, draw_region, reaching
from glassay.mosaic.schedule import Workers

SHARD = 2048
"""Side of a file, px."""

JOURNAL = "written.txt"
"""In the picture's folder: what it depends on, and which shards are written."""
EMPTY = "empty"
"""In the journal, behind a shard of nothing but black."""

Progress = Callable[[str, int, int], None]
Place = tuple[int, int, int]
"""Level, and the first row and column of a shard."""


@dataclass(frozen=True)
class Canvas:
    """Where the picture is written: `folder` of the zarr group, size in px, 16 bits or 8, and the
    size of a px (unit "micrometer", or None)."""

    folder: Path
    width: int
    height: int
    deep: bool
    pixel_size_um: float | None

    @property
    def sizes(self) -> list[tuple[int, int]]:
        """(height, width) of every level."""
        return level_sizes(self.height, self.width)


def write_picture(
    canvas: Canvas, placed: Sequence[Placed], digest: str, workers: Workers, progress: Progress
) -> None:
    """Write or finish the picture. Raises `Unusable` when the disk is full or cannot be written."""
    try:
        journal = _Journal.open(canvas, digest)
        for level, size in enumerate(canvas.sizes):
            tasks: list[tuple[Any, ...]] = []
            for _, top, left in _shards(level, size):
                if (level, top, left) in journal.done:
                    continue
                right, bottom = min(left + SHARD, size[1]), min(top + SHARD, size[0])
                within = reaching(placed, left, top, right, bottom) if level == 0 else []
                tasks.append((canvas, level, left, top, within))
            named = "picture" if level == 0 else "pyramid"
            made = workers.map(_write_shard, tasks, lambda n, m, w=named: progress(w, n, m))  # type: ignore[misc]
            for where, is_empty in made:
                journal.note(where, is_empty)
    except OSError as error:
        raise Unusable(
            f"{canvas.folder} cannot be written ({error.strerror or error}); what is there is kept,"
            " and the same command goes on from it"
        ) from None


def is_drawn(canvas: Canvas, digest: str) -> bool:
    """Whether the picture of this digest is there to its last part."""
    journal = _Journal.kept(canvas, digest)
    return journal is not None and all(
        one in journal.done
        for level, size in enumerate(canvas.sizes)
        for one in _shards(level, size)
    )


def _shards(level: int, size: tuple[int, int]) -> Iterator[Place]:
    """The shards of a level of this height and width, row by row."""
    for top in range(0, size[0], SHARD):
        for left in range(0, size[1], SHARD):
            yield level, top, left


def _write_shard(
    canvas: Canvas, level: int, left: int, top: int, placed: Sequence[Placed]
) -> tuple[Place, bool]:
    """Where it is, and whether it holds nothing but black and has no file."""
    zarr.config.set({"threading.max_workers": 1, "async.concurrency": 1})
    height, width = canvas.sizes[level]
    h, w = min(SHARD, height - top), min(SHARD, width - left)
    target = zarr.open_array(str(canvas.folder / str(level)), mode="r+")
    if level == 0:
        values = draw_region(placed, left, top, w, h, canvas.deep)
    else:
        source = zarr.open_array(str(canvas.folder / str(level - 1)), mode="r")
        fine = np.asarray(source[:, 2 * top : 2 * (top + h), 2 * left : 2 * (left + w)])
        values = _halved(fine, h, w)
    # what a kill left half written would be read before it is written over
    path = shard_path(canvas.folder, (level, top, left))
    path.unlink(missing_ok=True)
    target[:, top : top + h, left : left + w] = values
    return (level, top, left), not path.is_file()


def shard_path(folder: Path, place: Place) -> Path:
    """The file of a shard in the picture's folder, as zarr 3 names it by default."""
    level, top, left = place
    return folder / str(level) / "c" / "0" / str(top // SHARD) / str(left // SHARD)


def _halved(fine: npt.NDArray[Any], height: int, width: int) -> npt.NDArray[Any]:
    """Means of squares of two px; an odd last row or column counts twice."""
    down, across = 2 * height - fine.shape[1], 2 * width - fine.shape[2]
    padded = np.pad(fine, ((0, 0), (0, down), (0, across)), mode="edge").astype(np.uint32)
    total = (
        padded[:, ::2, ::2] + padded[:, 1::2, ::2] + padded[:, ::2, 1::2] + padded[:, 1::2, 1::2]
    )
    return np.asarray((total + 2) // 4, dtype=fine.dtype)


@dataclass(frozen=True, eq=False)
class MosaicLevel:
    """A level of the picture as it is stored, 8 or 16 bits, of which parts are read."""

    array: Any

    @property
    def shape(self) -> tuple[int, int, int]:
        """Height, width, and 3 for the colours."""
        _, height, width = self.array.shape
        return height, width, 3

    @property
    def dtype(self) -> np.dtype[Any]:
        """That of the px."""
        kind: np.dtype[Any] = np.dtype(self.array.dtype)
        return kind

    def part(self, left: int, top: int, width: int, height: int) -> npt.NDArray[Any]:
        """A part (h, w, 3), cut off at the level's border."""
        planes = np.asarray(self.array[:, top : top + height, left : left + width])
        return np.ascontiguousarray(np.moveaxis(planes, 0, -1))


class MosaicTiles:
    """The picture that was written into a mosaic's folder, read a part at a time."""

    def __init__(self, picture: Path) -> None:
        """`picture`: the OME-Zarr group. Raises `Unusable` where a part of it is not written yet, or
        lost: it would be read as black."""
        self._group = zarr.open_group(str(picture), mode="r")
        self._journal = picture / JOURNAL
        written: dict[Place, bool] = {}
        with contextlib.suppress(FileNotFoundError):
            written = _written(self._journal.read_text(encoding="utf-8").splitlines())
        parts = [
            one
            for level, whole in enumerate(self.levels)
            for one in _shards(level, whole.shape[:2])
        ]
        lost = sum(one not in written or not _is_there(picture, one, written[one]) for one in parts)
        if lost:
            raise Unusable(
                f"{lost} of the {len(parts)} parts of {picture} are lost, or were not drawn yet;"
                " drawing the mosaic again makes them"
            )

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the whole, px."""
        height, width, _ = self._level(0).shape
        return width, height

    @property
    def levels(self) -> list[MosaicLevel]:
        """The picture and its halves, the picture itself first."""
        many = next(n for n in itertools.count() if str(n) not in self._group)
        return [self._level(n) for n in range(many)]

    @property
    def digest(self) -> str:
        """Of everything that the picture depends on, hexadecimal."""
        return self._journal.read_text(encoding="utf-8").partition("\n")[0]

    def rows(self, level: int, top: int, bottom: int) -> npt.NDArray[np.uint8]:
        """Rows of a level (h, w, 3), 8 bits, `bottom` not among them."""
        return self.part(level, 0, top, self._level(level).shape[1], bottom - top)

    def part(
        self, level: int, left: int, top: int, width: int, height: int
    ) -> npt.NDArray[np.uint8]:
        """A part of a level (h, w, 3), 8 bits, cut off at the level's border."""
        values = self._level(level).part(left, top, width, height)
        return np.asarray(values >> 8 if values.dtype == np.uint16 else values, dtype=np.uint8)

    def small(self, longest_px: int) -> npt.NDArray[np.uint8]:
        """The whole (h, w, 3), 8 bits, its longer side at most `longest_px`."""
        level, (width, height) = 0, self.size
        while max(width, height) >= 2 * longest_px and str(level + 1) in self._group:
            level, width, height = level + 1, -(-width // 2), -(-height // 2)
        picture = self.rows(level, 0, height)
        factor = longest_px / max(width, height)
        if factor >= 1:
            return picture
        size = max(1, round(factor * width)), max(1, round(factor * height))
        return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)

    def _level(self, level: int) -> MosaicLevel:
        return MosaicLevel(self._group[str(level)])


@dataclass
class _Journal:
    path: Path
    digest: str
    done: set[Place]

    @classmethod
    def open(cls, canvas: Canvas, digest: str) -> _Journal:
        """Go on with the picture of this digest, or begin it."""
        kept = cls.kept(canvas, digest)
        if kept is not None:
            return kept
        path = canvas.folder / JOURNAL
        _create(canvas)
        write_atomically(path, f"{digest}\n".encode())
        return cls(path, digest, set())

    @classmethod
    def kept(cls, canvas: Canvas, digest: str) -> _Journal | None:
        """That of the picture of this digest, whose parts are still there; None where there is none."""
        path = canvas.folder / JOURNAL
        lines = path.read_text().splitlines() if path.is_file() else []
        # a kill while it was removed may have left the journal alone
        inside = ("", *(str(level) for level in range(len(canvas.sizes))))
        described = all((canvas.folder / one / "zarr.json").is_file() for one in inside)
        if not lines or lines[0] != digest or not described:
            return None
        written = _written(lines)
        return cls(path, digest, {
            one for one, empty in written.items() if _is_there(canvas.folder, one, empty)
        })  # fmt: skip

    def note(self, where: Place, is_empty: bool) -> None:
        """Remember that a shard is written. A line cut off by a kill has no full stop."""
        self.done.add(where)
        with self.path.open("a") as stream:
            words = [*map(str, where), *([EMPTY] if is_empty else [])]
            stream.write(" ".join(words) + ".\n")
            stream.flush()


def _written(lines: Sequence[str]) -> dict[Place, bool]:
    """Shards that a journal's lines name, and whether they are empty."""
    out = {}
    for line in lines[1:]:
        words = line.rstrip(".").split(" ")
        if line.endswith(".") and (len(words) == 3 or words[3:] == [EMPTY]):
            out[int(words[0]), int(words[1]), int(words[2])] = len(words) == 4
    return out


def _is_there(folder: Path, place: Place, is_empty: bool) -> bool:
    """Whether a shard that was written is still there."""
    return is_empty or shard_path(folder, place).is_file()


def _create(canvas: Canvas) -> None:
    group = zarr.open_group(str(canvas.folder), mode="w", zarr_format=3)
    kind = "uint16" if canvas.deep else "uint8"
    for level, (height, width) in enumerate(canvas.sizes):
        group.create_array(
            str(level), shape=(3, height, width), chunks=(3, CHUNK_PX, CHUNK_PX),
            shards=(3, SHARD, SHARD), dtype=kind, fill_value=0, dimension_names=["c", "y", "x"],
            compressors=BloscCodec(cname="zstd", clevel=3, shuffle="bitshuffle"),
        )  # fmt: skip
    described = ome_attributes(
        "mosaic", len(canvas.sizes), canvas.pixel_size_um, 65535 if canvas.deep else 255
    )
    group.attrs["ome"] = described


def write_document(path: Path, document: dict[str, Any]) -> None:
    """The mosaic's numbers beside the picture, as JSON."""
    write_atomically(path, (json.dumps(document, indent=1) + "\n").encode())
