"""Suffixes of the files that people have: photos and clips."""

CLIP_SUFFIXES = (".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm")
PHOTO_SUFFIXES = (
    ".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".bmp", ".heic", ".heif",
)  # fmt: skip
