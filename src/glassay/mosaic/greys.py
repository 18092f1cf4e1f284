"""Grey pictures of tiles and what is made of them, kept while memory allows, so that a photo is decoded
once in most mosaics."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging import Photo, read_photo
from glassay.imaging.tone import Tone

T = TypeVar("T")
Bytes = npt.NDArray[np.uint8]

KEPT_BYTES = 300_000_000
"""Memory for what is kept of photos in each process, grey and reduced pictures: about 80 photos of 2
megapixels. A mosaic of any size is to be made in 1.5 GB; drawing wants the most of it."""
SMOOTHED_PX = 0.7
"""Blur by which px noise is calmed and gradients between px become true."""


def grey_bytes(photo: Photo) -> Bytes:
    """Encoded grey, 0..255: about even noise at every level, gains stay factors."""
    stored: Any = photo.stored
    if stored.dtype != np.uint8:
        light = np.clip(photo.linear_light() / _white(photo), 0, 1)
        stored = np.rint(255 * np.sqrt(light)).astype(np.uint8)
    if stored.ndim == 3:
        stored = cv2.cvtColor(np.ascontiguousarray(stored), cv2.COLOR_RGB2GRAY)
    return np.asarray(stored, dtype=np.uint8)


def _white(photo: Photo) -> float:
    if photo.stored.dtype.kind == "f":
        return max(float(np.quantile(photo.stored[::7, ::7], 0.999)), 1e-12)
    return 1.0


Key = tuple[object, ...]

_kept: OrderedDict[Key, tuple[Any, int]] = OrderedDict()
_lock = threading.Lock()


def once(key: Key, make: Callable[[], T], size: Callable[[T], int]) -> T:
    """What `make` gives, made anew only when memory did not allow to keep it. `key` names all that it
    depends on; it must not be changed."""
    with _lock:
        if key in _kept:
            _kept.move_to_end(key)
            found: T = _kept[key][0]
            return found
    made = make()
    with _lock:
        _kept[key] = (made, size(made))
        total = sum(bytes_ for _, bytes_ in _kept.values())
        while total > KEPT_BYTES and len(_kept) > 1:
            total -= _kept.popitem(last=False)[1][1]
    return made


def smoothed(grey: Bytes) -> Bytes:
    """Encoded grey as overlaps are measured in it."""
    return np.asarray(cv2.GaussianBlur(grey, (0, 0), SMOOTHED_PX), dtype=np.uint8)


def keep(digest: str, tone: Tone, grey: Bytes) -> None:
    """Keep a smoothed picture for `grey_of`."""
    once(("grey", digest, tone), lambda: grey, lambda g: g.nbytes)


def grey_of(path: Path, digest: str, tone: Tone) -> Bytes:
    """The smoothed picture of a tile whose file has this digest."""
    return once(
        ("grey", digest, tone), lambda: smoothed(grey_bytes(read_photo(path, tone))),
        lambda grey: grey.nbytes,
    )  # fmt: skip
