"""The pictures of a focus run, one after the other, from photos or a clip."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from glassay.imaging import read_photo
from glassay.imaging.tone import FloatImage, Tone


def photo_frames(paths: Sequence[Path], tone: Tone | None = None) -> Iterator[FloatImage]:
    """Each photo in linear light, read when it is asked for, by the usual rule or the `tone` curve
    stated. Raises `Unusable`."""
    for path in paths:
        yield read_photo(path, tone).measuring_grey()


def clip_frames(path: Path) -> Iterator[FloatImage]:
    """Each frame of a clip in linear light. Raises `Unusable` when it cannot be opened."""
    from glassay.imaging.clip import open_clip  # its decoder is loaded for clips only

    for frame in open_clip(path).frames():
        yield frame.linear_grey()


@dataclass(frozen=True)
class PhotosInLight:
    """Photos of one run in linear light with their colours, or the part of them in `box` (x, y, width,
    height), read anew each time they are gone through. Going through them raises `Unusable`."""

    paths: tuple[Path, ...]
    tone: Tone | None = None
    box: tuple[int, int, int, int] | None = None

    def __iter__(self) -> Iterator[FloatImage]:
        for path in self.paths:
            photo = read_photo(path, self.tone)
            yield (photo if self.box is None else photo.crop(self.box)).linear_light()
