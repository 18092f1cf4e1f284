"""How many times a camera enlarges the pictures of one size, from whatever capture tells it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from glassay.bench.keeping.results import CaptureResult, SettingResult
from glassay.quantity import Quantity, combine

NOTICEABLE = 1.05
"""Enlargement from which the pixels of a file are no longer called its own; below it, native
sampling can hardly be told from none."""

Size = tuple[int, int]


def size_of(result: CaptureResult) -> Size | None:
    """Width and height of a capture's pictures in px, where its files told them."""
    width, height = result.facts.get("width"), result.facts.get("height")
    return (int(width), int(height)) if width and height else None


def native_size(captures: Sequence[CaptureResult], size: Size) -> tuple[Quantity, Quantity] | None:
    """Native width and height of pictures of `size` px; from the first capture of it that tells.

    `captures` are those of one instrument: firmware that enlarges does so in every setting.
    """
    for result in captures:
        found = result.findings
        if size_of(result) == size and {"native_width", "native_height"} <= set(found):
            return found["native_width"].quantity, found["native_height"].quantity
    return None


def enlargement(one: SettingResult, captures: Sequence[CaptureResult]) -> Quantity | None:
    """Stored px for each native px (mean of both directions) in the pictures of a setting.

    None where nothing tells, and where the pictures are as native as can be told. `captures` are
    those of the whole bench.
    """
    native = (
        None if one.picture is None else native_size(list(_in_order(one, captures)), one.picture)
    )
    if native is None or one.picture is None:
        return None
    width, height = one.picture
    factor = combine(lambda w, h: ((width / w) * (height / h)) ** 0.5, native, "1")
    return factor if factor.value > NOTICEABLE else None


def _in_order(one: SettingResult, captures: Sequence[CaptureResult]) -> Iterator[CaptureResult]:
    yield from one.among(captures)
    yield from (c for c in captures if c.capture.instrument == one.instrument.id)


def native_pixel_size(one: SettingResult, captures: Sequence[CaptureResult]) -> Quantity | None:
    """Size at the object of one native pixel (um/px): the stored one's where nothing else is known.

    None where the pixel size was not measured.
    """
    if "pixel_size" not in one.findings:
        return None
    stored, factor = one.findings["pixel_size"].quantity, enlargement(one, captures)
    if factor is None:
        return stored
    return combine(lambda p, f: p * f, (stored, factor), stored.unit)
