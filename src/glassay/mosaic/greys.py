"""Grey pictures of tiles, kept while memory allows, so that a photo is decoded once in most mosaics."""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging import Photo, read_photo
from glassay.imaging.tone import Tone

Bytes = npt.NDArray[np.uint8]

KEPT_BYTES = 300_000_000
"""Memory for grey pictures in each process: 150 of 2 megapixels. A mosaic of any size is to be made
in 1.5 GB, of which reading and drawing want half a GB for each thread pair (measured below 0.5)."""
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


_kept: OrderedDict[tuple[str, Tone], Bytes] = OrderedDict()
_lock = threading.Lock()


def smoothed(grey: Bytes) -> Bytes:
    """Encoded grey as overlaps are measured in it."""
    return np.asarray(cv2.GaussianBlur(grey, (0, 0), SMOOTHED_PX), dtype=np.uint8)


def keep(digest: str, tone: Tone, grey: Bytes) -> None:
    """Keep a smoothed picture, and let go of those that were not asked for longest."""
    with _lock:
        _kept[digest, tone] = grey
        _kept.move_to_end((digest, tone))
        total = sum(picture.nbytes for picture in _kept.values())
        while total > KEPT_BYTES and len(_kept) > 1:
            total -= _kept.popitem(last=False)[1].nbytes


def grey_of(path: Path, digest: str, tone: Tone) -> Bytes:
    """The smoothed picture of a tile whose file has this digest."""
    with _lock:
        found = _kept.get((digest, tone))
        if found is not None:
            _kept.move_to_end((digest, tone))
            return found
    grey = smoothed(grey_bytes(read_photo(path, tone)))
    keep(digest, tone, grey)
    return grey
