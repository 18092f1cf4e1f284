"""A sensor's die on the bench: photos of it in um, put together.

A die is photographed through one instrument and belongs to another, the one that was opened: its
reference object says so (`sensor_of`). A close-up gives the pitch, an overview in another setting
the size; their quotient is the count, in which a slide that calibrated both cancels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from glassay.bench.document.model import Bench
from glassay.bench.keeping.results import CaptureResult, MethodResult, SettingResult
from glassay.bench.measuring.methods.array import NAME
from glassay.finding import Finding
from glassay.quantity import Quantity, combine

LENGTHS = ("pitch_x", "pitch_y", "column_spacing", "row_spacing", "mosaic_period_x",
           "mosaic_period_y", "array_width", "array_height")  # fmt: skip


# ---- from px to um -------------------------------------------------------------------------------


def on_the_die(
    bench: Bench, settings: Sequence[SettingResult], captures: Sequence[CaptureResult]
) -> tuple[CaptureResult, ...]:
    """The captures, with what was measured on dies in um and counted, where that can be said."""
    scaled = {one.capture.id: _in_um(settings, one) for one in captures if _array_of(one)}
    for thing in bench.objects:
        if thing.kind == "pixel array":
            mine = [one for one in scaled.values() if one.capture.object == thing.id]
            scaled |= {one.capture.id: one for one in _counted(mine)}
    return tuple(scaled.get(one.capture.id, one) for one in captures)


def _array_of(one: CaptureResult) -> MethodResult | None:
    part = one.part(NAME)
    return part if part is not None and part.status == "measured" else None


def _changed(
    one: CaptureResult, findings: dict[str, Finding], notes: tuple[str, ...]
) -> CaptureResult:
    parts = tuple(
        replace(part, findings={**part.findings, **findings}, notes=(*part.notes, *notes))
        if part.method == NAME else part
        for part in one.parts
    )  # fmt: skip
    return replace(one, parts=parts)


def _in_um(settings: Sequence[SettingResult], one: CaptureResult) -> CaptureResult:
    from glassay.lattice import size_findings

    capture = one.capture
    here = [s for s in settings
            if (s.instrument.id, s.setting.id) == (capture.instrument, capture.setting)]  # fmt: skip
    known = here[0].findings.get("pixel_size") if here else None
    if known is None:
        return _changed(one, {}, ("lengths stay in px: no scale was measured in this setting",))
    size = (one.facts.get("width"), one.facts.get("height"))
    if here[0].picture is not None and size != here[0].picture:
        why = "lengths stay in px: this setting's scale was photographed at another picture size"
        return _changed(one, {}, (why,))
    converted = {
        key: Finding(
            combine(lambda p, s: p * s, (finding.quantity, known.quantity), "um"), finding.method
        )
        for key, finding in one.findings.items()
        if key in LENGTHS
    }
    if {"array_width", "array_height"} <= set(converted):
        converted |= size_findings(
            converted["array_width"].quantity, converted["array_height"].quantity
        )
    return _changed(one, converted, ())


def _counted(captures: Sequence[CaptureResult]) -> list[CaptureResult]:
    """Captures of one die: those that hold the array, but not its pixels, with their count."""
    from glassay.lattice import count_along, count_findings
    from glassay.lattice.pitch import is_twice

    resolved = [one for one in captures if {"pitch_x", "pitch_y"} <= set(_um(one))]
    if not resolved:
        return []
    finest = min(resolved, key=lambda one: _um(one)["pitch_x"].relative)
    pitch = _um(finest)
    # maybe pairs of pixels, which the photo's own notes say
    if is_twice(pitch["pitch_x"].value, pitch["pitch_y"].value):
        return []
    counted = []
    for one in captures:
        size = _um(one)
        if "columns" in one.findings or not {"array_width", "array_height"} <= set(size):
            continue
        columns = count_along(size["array_width"], pitch.get("column_spacing", pitch["pitch_x"]))
        rows = count_along(size["array_height"], pitch.get("row_spacing", pitch["pitch_y"]))
        note = f"pixels counted with the pitch measured in {finest.capture.id}"
        counted.append(_changed(one, count_findings(columns, rows), (note,)))
    return counted


def _um(one: CaptureResult) -> dict[str, Quantity]:
    return {
        key: finding.quantity
        for key, finding in one.findings.items()
        if key in LENGTHS and finding.quantity.unit == "um"
    }
