"""A sensor's die on the bench: photos of it in um, put together, and claims held against them.

A die is photographed through one instrument and belongs to another, the one that was opened: its
reference object says so (`sensor_of`). A close-up gives the pitch, an overview in another setting
the size; their quotient is the count, in which a slide that calibrated both cancels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from glassay.bench.document.claims import CLAIM_KINDS
from glassay.bench.document.model import Bench, Claim, Instrument
from glassay.bench.judging.decide import decide
from glassay.bench.judging.judge_clips import Held
from glassay.bench.keeping.results import CaptureResult, MethodResult, SettingResult
from glassay.bench.measuring.methods.array import NAME
from glassay.bench.saying.words import say, say_length
from glassay.finding import Finding
from glassay.quantity import Quantity, combine

LENGTHS = ("pitch_x", "pitch_y", "mosaic_period_x", "mosaic_period_y", "array_width",
           "array_height")  # fmt: skip
SENSOR_CLAIMS = ("sensor pixels", "sensor pixel pitch", "sensor width")
BOUNDED_CLAIMS = ("photo pixels", "video size")
"""Claims that a sensor with too few pixels refutes, and that no sensor proves."""


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

    resolved = [one for one in captures if {"pitch_x", "pitch_y"} <= set(_um(one))]
    if not resolved:
        return []
    finest = min(resolved, key=lambda one: _um(one)["pitch_x"].relative)
    pitch = _um(finest)
    counted = []
    for one in captures:
        size = _um(one)
        if "columns" in one.findings or not {"array_width", "array_height"} <= set(size):
            continue
        columns = count_along(size["array_width"], pitch["pitch_x"])
        rows = count_along(size["array_height"], pitch["pitch_y"])
        note = f"pixels counted with the pitch measured in {finest.capture.id}"
        counted.append(_changed(one, count_findings(columns, rows), (note,)))
    return counted


def _um(one: CaptureResult) -> dict[str, Quantity]:
    return {
        key: finding.quantity
        for key, finding in one.findings.items()
        if key in LENGTHS and finding.quantity.unit == "um"
    }


# ---- claims --------------------------------------------------------------------------------------


def through(
    bench: Bench, instrument: Instrument, captures: Sequence[CaptureResult]
) -> list[CaptureResult]:
    """Captures that tell of an instrument because they were made through it: all but those of
    sensors' dies, whose numbers are another instrument's."""
    return [
        one for one in captures
        if one.capture.instrument == instrument.id
        and bench.object(one.capture.object).kind != "pixel array"
    ]  # fmt: skip


def of_its_sensor(
    bench: Bench, instrument: Instrument, captures: Sequence[CaptureResult]
) -> list[CaptureResult]:
    """Captures of the instrument's own sensor, whichever instrument took them."""
    return [one for one in captures if bench.object(one.capture.object).sensor_of == instrument.id]


def hold_against_die(claim: Claim, dies: Sequence[CaptureResult]) -> Held | None:
    """A claim on the sensor's pixels, pitch or width held against its die; None where it says
    nothing."""
    kind = CLAIM_KINDS.get(claim.kind)
    if claim.kind not in SENSOR_CLAIMS or kind is None or claim.value is None:
        return None
    found = _best(dies, kind.finding, kind.unit)
    if found is None:
        return None
    value, capture = found
    decision = decide(value, claim.value, claim)
    said = say_length(value) if value.unit == "um" else say(value, f" {value.unit}")
    sentence = f"it is {said}, seen on the sensor's own die ({capture})"
    return Held(decision.word, sentence, decision.rule, value, None, _count_words(dies))


def refuted_by_die(claim: Claim, dies: Sequence[CaptureResult]) -> Held | None:
    """A claim on the pixels of photos or clips that the sensor is too small to keep; else None."""
    if claim.kind not in BOUNDED_CLAIMS or claim.value is None or claim.sense != "at least":
        return None
    found = _best(dies, "array_megapixels", "MP")
    if found is None:
        return None
    value, capture = found
    decision = decide(value, claim.value, claim)
    if decision.word != "not met":
        return None
    sentence = (
        f"its sensor has {say(value)} million pixels in all, seen on its own die ({capture}), and"
        " no picture can hold more of them"
    )
    rule = f"{decision.rule} The value is the most that the sensor can deliver."
    return Held("not met", sentence, rule, value, None, _count_words(dies))


def _best(dies: Sequence[CaptureResult], key: str, unit: str) -> tuple[Quantity, str] | None:
    """The surest value of a finding in that unit, and the capture it stands on."""
    known = [
        (one.findings[key].quantity, one.capture.id)
        for one in dies
        if key in one.findings and one.findings[key].quantity.unit == unit
    ]
    return min(known, key=lambda pair: pair[0].relative, default=None)


def _count_words(dies: Sequence[CaptureResult]) -> tuple[str, ...]:
    columns, rows = _best(dies, "columns", "1"), _best(dies, "rows", "1")
    if columns is None or rows is None:
        return ()
    return (
        f"The die has {columns[0].value:.0f} x {rows[0].value:.0f} pixels"
        f" (within {columns[0].expanded:.0f} and {rows[0].expanded:.0f}).",
    )
