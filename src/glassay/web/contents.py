"""What a file is, told by its content; its name and what a browser says of it count for nothing."""

from __future__ import annotations

from pathlib import Path

_STARTS: tuple[tuple[int, bytes, str], ...] = (
    (0, b"\xff\xd8\xff", "image/jpeg"),
    (0, b"\x89PNG\r\n\x1a\n", "image/png"),
    (0, b"II*\0", "image/tiff"), (0, b"MM\0*", "image/tiff"),
    (0, b"II+\0", "image/tiff"), (0, b"MM\0+", "image/tiff"),
    (8, b"WEBP", "image/webp"),
    (0, b"BM", "image/bmp"),
    (4, b"ftypheic", "image/heic"), (4, b"ftypheix", "image/heic"), (4, b"ftypmif1", "image/heic"),
    (4, b"ftypqt", "video/quicktime"),
    (4, b"ftyp", "video/mp4"), (4, b"moov", "video/quicktime"), (4, b"mdat", "video/quicktime"),
    (0, b"\x1aE\xdf\xa3", "video/webm"),  # Matroska in general; browsers play what they can
    (8, b"AVI ", "video/x-msvideo"),
)  # fmt: skip
"""Place, bytes and media type; the first that fits counts."""

HEAD_BYTES = 64
SHOWN_BY_BROWSERS = ("image/jpeg", "image/png", "image/webp", "video/mp4", "video/quicktime",
                     "video/webm")  # fmt: skip


def media_type(path: Path) -> str | None:
    """The media type of a photo or a clip; None for anything else."""
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    return media_type_of(head)


def media_type_of(head: bytes) -> str | None:
    """The media type that the first bytes of a file tell; None for no photo and no clip."""
    for place, start, name in _STARTS:
        if head[place : place + len(start)] == start:
            return name
    return None


def is_clip(media: str | None) -> bool:
    """Whether this is a media type of clips."""
    return (media or "").startswith("video/")
