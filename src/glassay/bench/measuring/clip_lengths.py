"""Drift and shake of clips on the object, where the pixel size of the video mode is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from glassay.bench.document.model import Bench
from glassay.bench.keeping.results import CaptureResult, captures_in
from glassay.bench.measuring.clip_rates import is_clip
from glassay.bench.measuring.methods import medium_of
from glassay.bench.measuring.settings import mean
from glassay.finding import Finding
from glassay.quantity import Quantity

LENGTHS = ("drift_x", "drift_y", "shake")


def on_the_object(bench: Bench, captures: Sequence[CaptureResult]) -> tuple[CaptureResult, ...]:
    """The captures, with drift and shake of clips in um/s and um where that can be said.

    A video mode is usually scaled or cropped against the photos of the same setting, so only a
    scale in pictures of the clip's own size counts, best one in a clip. A note says what was used,
    or why lengths stay in px.
    """
    return tuple(
        _converted(bench, one, captures) if is_clip(one) and "shake" in one.findings else one
        for one in captures
    )


def _converted(
    bench: Bench, one: CaptureResult, captures: Sequence[CaptureResult]
) -> CaptureResult:
    pixel_size, note = _pixel_size(bench, one, captures)
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


def _pixel_size(
    bench: Bench, one: CaptureResult, captures: Sequence[CaptureResult]
) -> tuple[Quantity | None, str]:
    capture = one.capture
    setting = bench.instrument(capture.instrument).setting(capture.setting)
    if setting.through_eyepiece:
        return None, "drift and shake stay in px: the phone at the eyepiece moves too"
    here = [
        other for other in captures_in(capture.instrument, capture.setting, captures)
        if "pixel_size" in other.findings
    ]  # fmt: skip
    size = _size(one)
    alike = [other for other in here if _size(other) == size]
    if not alike:
        there_are = "no ruled scale was measured in this setting" if not here else (
            "this setting's scale was photographed at another picture size, and a video mode may"
            " be scaled or cropped; film the scale too"
        )  # fmt: skip
        return None, f"drift and shake stay in px: {there_are}"
    filmed = [other for other in alike if medium_of(other.capture.files) == "clip"]
    used = filmed or alike
    value = mean([other.findings["pixel_size"].quantity for other in used])
    what = "the scale filmed in" if filmed else "photos of the same size,"
    return value, f"um of drift and shake rest on {what} {', '.join(o.capture.id for o in used)}"


def _size(one: CaptureResult) -> tuple[object, object]:
    return one.facts.get("width"), one.facts.get("height")
