"""Pieces of evidence in words, and what a file says of itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from glassay.imaging.compression import jpeg_quality


@dataclass(frozen=True, slots=True)
class Evidence:
    """One piece of evidence: what was looked at, and what it says."""

    name: str
    says: str


def file_evidence(width: int, height: int, facts: Mapping[str, Any]) -> tuple[Evidence, ...]:
    """What dimensions, container, quantisation and EXIF fields say; hints, never proof."""
    parts = [f"{width} x {height} px, {width * height / 1e6:.2f} million"]
    if facts.get("format"):
        parts.append(str(facts["format"]))
    quality = jpeg_quality(facts.get("quantization") or {})
    if quality is not None:
        parts.append(f"quantised about as quality {quality}")
    exif = facts.get("exif") or {}
    zoom = _number(exif.get("DigitalZoomRatio"))
    if zoom is not None and zoom > 1:
        parts.append(f"states a digital zoom of {zoom:g}")
    stated = [_number(exif.get(key)) for key in ("ExifImageWidth", "ExifImageHeight")]
    if None not in stated and sorted(stated) != sorted((float(width), float(height))):  # type: ignore[type-var]
        parts.append(f"states {stated[0]:.0f} x {stated[1]:.0f} px, so it was resized or cut later")
    if exif.get("Software"):
        parts.append(f"written by {exif['Software']}")
    return (Evidence("file", "; ".join(parts)),)


STRONG_COMPRESSION = 85
"""JPEG quality below which compression is pointed out beside an edge response: at 75 it lowered the
50 % frequency of sharp edges of little contrast by up to 9 %, at 90 and above by less than 2 %."""


def compression_notes(facts: Mapping[str, Any]) -> tuple[str, ...]:
    """A note where a file's compression is strong enough to take fine detail with it."""
    quality = jpeg_quality(facts.get("quantization") or {})
    if quality is None or quality >= STRONG_COMPRESSION:
        return ()
    return (
        f"compressed about as JPEG of quality {quality}: the response is that of the file; the"
        " camera may see finer detail than it stores",
    )


def _number(text: Any) -> float | None:
    try:
        return float(text)
    except (TypeError, ValueError):
        return None
