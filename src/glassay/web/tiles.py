"""Photos for the viewer in tiles, made when asked for and kept under `results/tiles/`.

A photo is decoded once, halved until it fits on one tile, and the tiles are cut from that. Decoded
photos are held in memory up to a limit, tiles on disk; neither ever goes to the browser as a whole.
"""

from __future__ import annotations

import hashlib
import math
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from glassay.bench.chip.die_pictures import mosaic_picture
from glassay.disk import refuse_links, write_atomically
from glassay.errors import Unusable
from glassay.imaging import Photo
from glassay.mosaic_files import NUMBERS
from glassay.report.pictures import Pixels, for_screen, picture_of
from glassay.web import limits


@dataclass(frozen=True)
class Pyramid:
    """A photo and its halves: `levels[-1]` is the photo, `levels[0]` fits on one pixel."""

    levels: tuple[Pixels, ...]

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in px of the upright photo."""
        return self.levels[-1].shape[1], self.levels[-1].shape[0]

    @property
    def bytes(self) -> int:
        """Memory held."""
        return sum(level.nbytes for level in self.levels)


def stamp(path: Path) -> str:
    """A name for the present content of a file, from its path, size and time stamp."""
    try:
        stat = path.stat()
    except OSError as error:
        raise Unusable(f"{path.name} cannot be read ({error.strerror})") from None
    text = f"{path.resolve()} {stat.st_size} {stat.st_mtime_ns}"
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()[:24]


def _picture(path: Path) -> Photo:
    """A photo, a clip's first frame, or the picture beside the numbers of a mosaic."""
    return mosaic_picture(path.parent).photo if path.name == NUMBERS else picture_of(path)


class Tiles:
    """Tiles of any photos, cached in the bench's `results/tiles/`; safe to use from several threads."""

    def __init__(self, bench_folder: Path) -> None:
        self._bench = bench_folder
        self._lock = threading.Lock()
        self._decoded: OrderedDict[str, Pyramid] = OrderedDict()
        self._busy: dict[str, threading.Lock] = {}

    def pyramid(self, path: Path) -> Pyramid:
        """The photo with its halves. Raises `Unusable` when it is none."""
        key = stamp(path)
        with self._lock:
            busy = self._busy.setdefault(key, threading.Lock())
        with busy:
            with self._lock:
                if key in self._decoded:
                    self._decoded.move_to_end(key)
                    return self._decoded[key]
            made = Pyramid(_halves(for_screen(_picture(path), None)))
            with self._lock:
                self._decoded[key] = made
                while len(self._decoded) > 1 and self._held() > limits.DECODED_BYTES_KEPT:
                    self._decoded.popitem(last=False)
            return made

    def _held(self) -> int:
        return sum(pyramid.bytes for pyramid in self._decoded.values())

    def _kept(self, path: Path, name: str) -> Path:
        """Where a tile is kept. A link there could put any file before the person as theirs."""
        return refuse_links(self._bench / "results" / "tiles" / stamp(path) / name, self._bench)

    def tile(self, path: Path, level: int, column: int, row: int) -> bytes:
        """One tile as JPEG. Raises `Unusable` for a place outside the photo."""
        if not (0 <= level < 40 and 0 <= column < 100_000 and 0 <= row < 100_000):
            raise Unusable("there is no such tile")
        kept = self._kept(path, f"{level}-{column}-{row}.jpg")
        try:
            return kept.read_bytes()
        except OSError:
            pass
        pyramid = self.pyramid(path)
        if level >= len(pyramid.levels):
            raise Unusable("there is no such tile")
        x, y = column * limits.TILE_PX, row * limits.TILE_PX
        part = pyramid.levels[level][y : y + limits.TILE_PX, x : x + limits.TILE_PX]
        if not part.size:
            raise Unusable("there is no such tile")
        data = jpeg(part)
        write_atomically(kept, data)
        return data

    def whole(self, path: Path, longest_px: int) -> bytes:
        """The whole photo, at most so large, as JPEG."""
        kept = self._kept(path, f"whole-{longest_px}.jpg")
        try:
            return kept.read_bytes()
        except OSError:
            pass
        levels = self.pyramid(path).levels
        enough = [one for one in levels if max(one.shape[:2]) >= longest_px]
        picture = enough[0] if enough else levels[-1]
        factor = longest_px / max(picture.shape[:2])
        if factor < 1:
            size = tuple(max(1, round(side * factor)) for side in picture.shape[1::-1])
            picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA))
        data = jpeg(picture)
        write_atomically(kept, data)
        return data


def jpeg(pixels: Pixels) -> bytes:
    """A picture (grey or R, G, B) as JPEG."""
    stored = pixels[..., ::-1] if pixels.ndim == 3 else pixels
    good, data = cv2.imencode(
        ".jpg", np.ascontiguousarray(stored), [cv2.IMWRITE_JPEG_QUALITY, limits.TILE_QUALITY]
    )
    if not good:
        raise Unusable("the picture cannot be encoded")
    return bytes(data.tobytes())


def _halves(photo: Pixels) -> tuple[Pixels, ...]:
    """The photo halved again and again down to one pixel, smallest first."""
    levels = [photo]
    while max(levels[-1].shape[:2]) > 1:
        height, width = levels[-1].shape[:2]
        size = math.ceil(width / 2), math.ceil(height / 2)
        levels.append(np.asarray(cv2.resize(levels[-1], size, interpolation=cv2.INTER_AREA)))
    return tuple(reversed(levels))
