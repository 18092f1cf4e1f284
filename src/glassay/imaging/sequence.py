"""The pictures of a focus run, one after the other, from photos or a clip."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from glassay.imaging import read_photo
from glassay.imaging.clip import open_clip
from glassay.imaging.tone import FloatImage, Tone


def photo_frames(paths: Sequence[Path], tone: Tone | None = None) -> Iterator[FloatImage]:
    """Each photo in linear light, read when it is asked for, by the usual rule or the `tone` curve
    stated. Raises `Unusable`."""
    for path in paths:
        yield read_photo(path, tone).measuring_grey()


def clip_frames(path: Path) -> Iterator[FloatImage]:
    """Each frame of a clip in linear light. Raises `Unusable` when it cannot be opened."""
    for frame in open_clip(path).frames():
        yield frame.linear_grey()
