"""Drift and shake of clips on the object, where the pixel size of the video mode is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from glassay.bench.document.model import Bench
from glassay.bench.keeping.results import CaptureResult
from glassay.bench.measuring.clip_rates import is_clip
from glassay.bench.measuring.scale_of_size import pixel_size_at
from glassay.finding import Finding
from glassay.quantity import Quantity

LENGTHS = ("drift_x", "drift_y", "shake")


def on_the_object(bench: Bench, captures: Sequence[CaptureResult]) -> tuple[CaptureResult, ...]:
    """The captures, with drift and shake of clips in um/s and um where that can be said.

    Only a scale in pictures of the clip's own size counts, best one in a clip. A note says what was
    used, or why lengths stay in px.
    """
    return tuple(
        _converted(bench, one, captures) if is_clip(one) and "shake" in one.findings else one
        for one in captures
    )


def _converted(
    bench: Bench, one: CaptureResult, captures: Sequence[CaptureResult]
) -> CaptureResult:
    pixel_size, note = pixel_size_at(bench, one, captures, what="drift and shake", first="clip")
    parts = tuple(
        replace(
            part, findings={**part.findings, **_lengths(part.findings, pixel_size)},
            notes=(*part.notes, note),
        )
        if "shake" in part.findings else part
        for part in one.parts
    )  # fmt: skip
    return replace(one, parts=parts)


def _lengths(findings: Mapping[str, Finding], pixel_size: Quantity | None) -> dict[str, Finding]:
    from glassay.motion import on_object

    if pixel_size is None:
        return {}
    return {
        key: Finding(on_object(findings[key].quantity, pixel_size), findings[key].method)
        for key in LENGTHS
        if key in findings
    }
