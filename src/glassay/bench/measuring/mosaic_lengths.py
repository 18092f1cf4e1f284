"""Width and height of mosaics in um, where the pixel size of their photos is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from glassay.bench.document.model import Bench
from glassay.bench.keeping.results import CaptureResult
from glassay.bench.measuring.methods.mosaic import LENGTHS, NAME
from glassay.bench.measuring.scale_of_size import pixel_size_at
from glassay.finding import Finding
from glassay.quantity import Quantity, combine


def across_the_chip(bench: Bench, captures: Sequence[CaptureResult]) -> tuple[CaptureResult, ...]:
    """The captures, with the lengths of mosaics in um where that can be said; a note says what they
    rest on, or why they stay in px."""
    return tuple(
        _converted(bench, one, captures) if one.part(NAME) is not None else one for one in captures
    )


def mosaic_pixel_size(
    bench: Bench, one: CaptureResult, captures: Sequence[CaptureResult]
) -> tuple[Quantity | None, str]:
    """The pixel size of a mosaic's photos, and in words what it rests on, or why it is not known."""
    return pixel_size_at(bench, one, captures, what="width and height", first="photos")


def _converted(
    bench: Bench, one: CaptureResult, captures: Sequence[CaptureResult]
) -> CaptureResult:
    size, note = mosaic_pixel_size(bench, one, captures)
    parts = []
    for part in one.parts:
        if part.method == NAME and part.status == "measured":
            findings = dict(part.findings)
            if size is not None:
                findings |= {
                    key: Finding(
                        combine(lambda n, s: n * s, (findings[key].quantity, size), "um"),
                        findings[key].method,
                    )
                    for key in LENGTHS
                }
            part = replace(part, findings=findings, notes=(*part.notes, note))
        parts.append(part)
    return replace(one, parts=tuple(parts))
