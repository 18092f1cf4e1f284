"""Photos for the page: made small enough to be carried inside it."""

from __future__ import annotations

import base64
import io
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from glassay.imaging import Photo, linear_to_srgb, read_photo
from glassay.imaging.file_names import CLIP_SUFFIXES
from glassay.imaging.tone import Tone

LONGEST_PX = 1100
"""Longer side of a photo on the page: sharp on a page 720 px wide, also on finer screens."""
SMALLEST_PX = 360
PAGE_BYTES = 4_200_000
"""All photos together, as JPEG. As text they take a third more, which keeps the page below 6 MB."""
MOST_BYTES = 240_000
LEAST_BYTES = 14_000
"""Below this a photo shows nothing any more; pages with so many captures leave some out."""
QUALITIES = (84, 74, 64, 54)

Pixels = npt.NDArray[np.uint8]


def share_of_page(pictures: int) -> int:
    """Bytes that each of so many pictures may take."""
    return max(LEAST_BYTES, min(MOST_BYTES, PAGE_BYTES // max(1, pictures)))


def picture_of(path: Path) -> Photo:
    """A photo, or the first frame of a clip. Raises `Unusable` when there is none."""
    if path.suffix.lower() in CLIP_SUFFIXES:
        from glassay.imaging.clip import first_frame

        return first_frame(path)
    return read_photo(path)


def for_screen(photo: Photo, longest_px: int | None = LONGEST_PX) -> Pixels:
    """The photo in 8-bit sRGB, (height, width) or (height, width, 3), at most so large.

    Photos that hold linear light are shown with their brightest parts (99.9 %) at white.
    """
    stored = photo.stored
    if longest_px is not None and max(stored.shape[:2]) > longest_px:
        factor = longest_px / max(stored.shape[:2])
        size = (max(1, round(photo.width * factor)), max(1, round(photo.height * factor)))
        stored = cv2.resize(stored, size, interpolation=cv2.INTER_AREA)
    if stored.dtype == np.uint8:
        return np.asarray(stored, dtype=np.uint8)
    if stored.dtype == np.uint16:
        return np.asarray(_levels_for_screen(stored, photo.tone)[stored], dtype=np.uint8)
    low, high = 0.0, 1.0
    if photo.tone == "linear":
        low, high = min(float(stored.min()), 0.0), float(np.percentile(stored, BRIGHTEST))
    shown = np.empty(stored.shape, dtype=np.uint8)
    for row in range(0, len(stored), ROWS_AT_ONCE):  # in double precision, a few rows at a time
        shown[row : row + ROWS_AT_ONCE] = _for_screen(
            stored[row : row + ROWS_AT_ONCE].astype(np.float64), low, high, photo.tone
        )
    return shown


BRIGHTEST = 99.9
"""Percentile of linear light that is shown white."""
ROWS_AT_ONCE = 64


def _for_screen(light: npt.NDArray[np.float64], low: float, high: float, tone: Tone) -> Pixels:
    if tone == "linear":
        light = linear_to_srgb((light - low) / max(high - low, 1e-30))
    return np.asarray(np.rint(np.clip(light, 0, 1) * 255), dtype=np.uint8)


def _levels_for_screen(stored: npt.NDArray[np.uint16], tone: Tone) -> Pixels:
    """What each of the 65536 levels is shown as: a table takes no memory for each px."""
    levels = np.arange(65536)
    high = 1.0
    if tone == "linear":
        counts = np.zeros(65536, dtype=np.int64)
        for row in range(0, len(stored), ROWS_AT_ONCE):
            counts += np.bincount(stored[row : row + ROWS_AT_ONCE].ravel(), minlength=65536)
        reached = np.searchsorted(np.cumsum(counts), BRIGHTEST / 100 * stored.size)
        high = float(reached) / 65535
    return _for_screen(levels / 65535, 0.0, high, tone)


def jpeg_uri(pixels: Pixels, most_bytes: int = MOST_BYTES) -> str:
    """The picture as a JPEG data URI of at most `most_bytes` before encoding as text.

    Quality is lowered first, then size, down to `SMALLEST_PX`.
    """
    image = Image.fromarray(pixels)
    while True:
        for quality in QUALITIES:
            data = _jpeg(image, quality)
            if len(data) <= most_bytes:
                return _uri(data)
        if max(image.size) <= SMALLEST_PX:
            return _uri(data)
        factor = max(0.75, SMALLEST_PX / max(image.size))
        size = (max(1, round(image.width * factor)), max(1, round(image.height * factor)))
        image = image.resize(size, Image.Resampling.BOX, reducing_gap=2.0)


def _jpeg(image: Image.Image, quality: int) -> bytes:
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=quality, optimize=True, progressive=True)
    return stream.getvalue()


def _uri(data: bytes) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")
