"""Reading a photo from a file: pixels upright, facts kept, limits named, the file never touched."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.distortion import Frame
from glassay.errors import Unusable
from glassay.heap import give_back_freed_memory
from glassay.imaging.decoding import decode
from glassay.imaging.tone import (
    LUMINANCE_WEIGHTS,
    OTHER_THAN_LINEAR,
    OTHER_TONES,
    FloatImage,
    Relight,
    StoredImage,
    Tone,
    linear_table,
)

MAX_FILE_BYTES = 4_000_000_000
"""Largest photo file that is read: an uncompressed 16-bit colour TIFF of 400 megapixels fits."""

FEW_NONFINITE = 0.01
"""Share of NaN or infinite pixels that is filled in (with the median) rather than refused."""


BAND_PX = 250_000
"""Px that are turned into light at a time: what is read and written then stays in the processor's
cache, which halves the time."""


@dataclass(frozen=True)
class Photo:
    """A decoded photo, upright.

    `stored` has shape (height, width) or (height, width, 3), in R, G, B order, with dtype uint8,
    uint16 or float32, exactly as decoded. `tone` says how stored values relate to linear light.
    `facts` are the file's own statements: format, bits, stored size before rotation, EXIF fields.
    """

    path: Path
    stored: StoredImage
    tone: Tone
    facts: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    frame_of_whole: Frame | None = None
    """The frame of the photo that this is a part of, in px of the part; None for a whole photo."""
    tone_stated: bool = False
    """Whether someone who knows the camera said what `tone` is. No file says it: a colour profile
    tells how a display has to show the values, not how the camera made them of light."""

    @property
    def frame(self) -> Frame:
        """Where the lens's axis lies: in the middle of the photo, of which this may be a part."""
        return self.frame_of_whole or Frame.of(self.stored.shape)

    @property
    def height(self) -> int:
        """Height in px of the upright photo."""
        return int(self.stored.shape[0])

    @property
    def width(self) -> int:
        """Width in px of the upright photo."""
        return int(self.stored.shape[1])

    @property
    def is_colour(self) -> bool:
        """Whether there are three channels."""
        return self.stored.ndim == 3

    @property
    def full_scale(self) -> float:
        """The stored value at which the camera clips (1 for floating-point photos)."""
        kind = self.stored.dtype
        return float(np.iinfo(kind).max) if kind.kind == "u" else 1.0

    @property
    def tone_assumed(self) -> bool:
        """Whether `tone` is only the usual one. Floating-point values are taken to be light."""
        return not self.tone_stated and (self.tone == "srgb" or _is_deep_grey(self.stored))

    @property
    def other_tones(self) -> tuple[Relight, ...]:
        """What the light may be instead, where the usual tone curve was only assumed."""
        if not self.tone_assumed:
            return ()
        return OTHER_TONES if self.tone == "srgb" else OTHER_THAN_LINEAR

    def crop(self, box: tuple[int, int, int, int]) -> Photo:
        """The part `box` = (x, y, width, height) in px of the upright photo (a view, no copy).

        Raises `Unusable` when the box does not lie within the photo.
        """
        x, y, w, h = box
        if w < 1 or h < 1 or x < 0 or y < 0 or x + w > self.width or y + h > self.height:
            raise Unusable(
                f"the box {x},{y},{w},{h} does not lie within the photo"
                f" of {self.width} x {self.height} px"
            )
        stored = self.stored[y : y + h, x : x + w]
        return replace(self, stored=stored, frame_of_whole=self.frame.seen_from(x, y))

    def at_full_scale(self) -> npt.NDArray[np.bool_]:
        """Where any channel is at its largest value, (height, width): light beyond is lost there.

        All False for floating-point photos, which state no largest value.
        """
        if self.stored.dtype.kind == "f":
            return np.zeros((self.height, self.width), dtype=np.bool_)
        top = int(np.iinfo(self.stored.dtype).max)
        if not self.is_colour:
            return np.asarray(self.stored == top)
        below = cv2.inRange(self.stored, (0,) * 3, (top - 1,) * 3)  # 255 where all channels are
        return np.asarray(below == 0)

    def linear_channel(self, index: int) -> FloatImage:
        """Channel 0 (red), 1 (green) or 2 (blue) in linear light, (height, width), 0..1."""
        plane = self.stored[..., index] if self.is_colour else self.stored
        return self._to_linear(plane)

    def linear_grey(self) -> FloatImage:
        """Luminance in linear light (ITU-R BT.709 weights), (height, width), 0..1."""
        if not self.is_colour:
            return self._to_linear(self.stored)
        grey = np.empty(self.stored.shape[:2], np.float32)
        tables = [self._table(weight) for weight in LUMINANCE_WEIGHTS]
        for rows in self._bands():
            grey[rows] = _looked_up(self.stored[rows, :, 0], tables[0])
            for index in (1, 2):
                grey[rows] += _looked_up(self.stored[rows, :, index], tables[index])
        return grey

    def linear_light(self) -> FloatImage:
        """All channels in linear light, (height, width, 3), or (height, width) of a grey photo."""
        if not self.is_colour:
            return self.linear_grey()
        return np.stack([self.linear_channel(index) for index in range(3)], axis=2)

    def measuring_grey(self, relight: Relight | None = None) -> FloatImage:
        """The grey picture in which positions are measured, linear light, (height, width), 0..1.

        That is the green channel: red and blue are magnified a little differently by most lenses,
        and lateral chromatic displacement is stated against green (ISO 19084, from memory). In a
        photo with little green light it is luminance. `relight` (of `other_tones`) makes other light
        of it.
        """
        if self.is_colour and not self.is_measured_in_green:
            grey = self.linear_grey()
            return grey if relight is None else np.asarray(relight(grey), dtype=np.float32)
        plane = self.stored[..., 1] if self.is_colour else self.stored
        return self._to_linear(plane, relight)

    @property
    def is_measured_in_green(self) -> bool:
        """Whether `measuring_grey` is the green channel; parts of a picture go by the whole."""
        if not self.is_colour:
            return False
        step = max(1, self.height // 200), max(1, self.width // 200)
        sample = self.stored[:: step[0], :: step[1]].reshape(-1, 3).astype(np.float64)
        means = sample.mean(axis=0)
        return bool(means[1] >= 0.5 * means.max())

    def _to_linear(self, plane: StoredImage, relight: Relight | None = None) -> FloatImage:
        table = self._table(1.0, relight)
        light = np.empty(plane.shape, np.float32)
        for rows in self._bands():
            light[rows] = _looked_up(plane[rows], table)
        return light

    def _table(self, weight: float, relight: Relight | None = None) -> FloatImage:
        """Light of each stored value, times a weight; of floating-point values the weight alone."""
        if self.stored.dtype.kind == "f":
            return np.full(1, weight, np.float32)
        table = linear_table(8 * self.stored.dtype.itemsize, self.tone)
        if relight is not None:
            table = np.asarray(relight(table), dtype=np.float32)
        return np.asarray(table * np.float32(weight), dtype=np.float32)

    def _bands(self) -> Iterator[slice]:
        rows = max(1, BAND_PX // self.width)
        return (slice(y, y + rows) for y in range(0, self.height, rows))


def _looked_up(plane: StoredImage, table: FloatImage) -> FloatImage:
    if plane.dtype.kind == "f":
        return np.asarray(plane * table[0], dtype=np.float32)
    if plane.dtype == np.uint8:
        return np.asarray(cv2.LUT(np.ascontiguousarray(plane), table), dtype=np.float32)
    return np.asarray(table[plane], dtype=np.float32)


def read_photo(path: str | Path, tone: Tone | None = None) -> Photo:
    """Read a JPEG, PNG, TIFF (8, 16 bit, float), WebP, BMP or HEIC photo.

    The content decides the format, not the name. EXIF orientation is applied. With `tone` the
    stated rule of `glassay.imaging.tone` is overridden. Raises `Unusable` with one sentence when
    the file is missing, empty, cut off, no photo, too large, or not finite.
    """
    path = Path(path)
    data = _read_bytes(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            stored, facts, notes = decode(data)
    except Unusable as error:
        raise Unusable(f"{path.name}: {error}") from None
    except MemoryError:
        raise Unusable(f"{path.name}: there is not enough memory to decode this photo") from None
    except Exception as error:  # decoders raise many kinds for damaged data
        raise Unusable(f"{path.name}: the file is damaged or cut off ({_short(error)})") from None
    give_back_freed_memory(stored.nbytes)
    stored, more = _settle_nonfinite(path, stored)
    facts["bytes"] = len(data)
    suffix = path.suffix.lower().lstrip(".")
    if suffix and suffix not in _SUFFIXES.get(facts["format"], (suffix,)):
        notes.append(f"the name says .{suffix}, the content is {facts['format']}")
    stated = tone is not None
    if tone is None:
        tone = "linear" if stored.dtype.kind == "f" or _is_deep_grey(stored) else "srgb"
    return Photo(path, stored, tone, facts, tuple(notes + more), tone_stated=stated)


def _is_deep_grey(stored: StoredImage) -> bool:
    return stored.ndim == 2 and stored.dtype.kind == "u" and stored.dtype.itemsize > 1


_SUFFIXES = {
    "JPEG": ("jpg", "jpeg", "jpe", "jfif"),
    "MPO": ("jpg", "jpeg", "mpo"),
    "PNG": ("png",),
    "WEBP": ("webp",),
    "BMP": ("bmp", "dib"),
    "HEIF": ("heic", "heif", "hif"),
    "TIFF": ("tif", "tiff"),
}


def _read_bytes(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise Unusable(f"{path.name} is a folder, not a photo")
        if size == 0:
            raise Unusable(f"{path.name}: the file is empty")
        if size > MAX_FILE_BYTES:
            raise Unusable(f"{path.name}: {size} bytes is more than the {MAX_FILE_BYTES} read")
        return path.read_bytes()
    except FileNotFoundError:
        raise Unusable(f"{path}: there is no such file") from None
    except OSError as error:
        raise Unusable(f"{path}: cannot be read ({error.strerror})") from None


def _settle_nonfinite(path: Path, stored: StoredImage) -> tuple[StoredImage, list[str]]:
    if stored.dtype.kind != "f":
        return stored, []
    finite = np.isfinite(stored)
    missing = 1 - float(finite.mean())
    if missing == 0:
        return stored, []
    if missing > FEW_NONFINITE:
        raise Unusable(f"{path.name}: {missing:.0%} of the pixels are NaN or infinite")
    filled = np.where(finite, stored, np.median(stored[finite])).astype(np.float32)
    return filled, [f"{int((~finite).sum())} NaN or infinite pixels were filled with the median"]


def _short(error: Exception) -> str:
    return " ".join(str(error).split())[:120] or type(error).__name__
