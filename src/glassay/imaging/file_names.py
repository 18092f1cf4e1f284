"""Suffixes of the files that people have: photos and clips."""

from pathlib import Path

CLIP_SUFFIXES = (".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm")
PHOTO_SUFFIXES = (
    ".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".bmp", ".heic", ".heif",
)  # fmt: skip


def is_clip(path: str | Path) -> bool:
    """Whether the name is that of a clip."""
    return Path(path).suffix.lower() in CLIP_SUFFIXES
