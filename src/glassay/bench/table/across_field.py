"""Columns of field, noise and focus in the comparison table, where any of it was measured."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from glassay.bench.document.model import Instrument
from glassay.bench.keeping.results import CaptureResult, Cell, SettingResult
from glassay.bench.measuring.methods import METHODS
from glassay.bench.measuring.methods.contract import ValueColumn
from glassay.bench.measuring.methods.focus import JUDGED_PER_MM
from glassay.bench.saying.finding_names import in_decibels
from glassay.errors import NotMeasurable
from glassay.extensions import named
from glassay.quantity import Quantity, combine


def measured_columns(captures: Sequence[CaptureResult]) -> tuple[ValueColumn, ...]:
    """The methods' columns for which any capture has a finding, in the order of the table."""
    found = {key for result in captures for key in result.findings}
    known = [column for method in METHODS.values() for column in method.columns]
    return tuple(one for one in known if found & set(one.shown_with))


def field_cells(
    columns: Sequence[ValueColumn],
    instrument: Instrument,
    mine: Sequence[SettingResult],
    captures: Sequence[CaptureResult],
) -> dict[str, Cell]:
    """One instrument's cells for `columns`, those of `measured_columns`."""
    known = {one.setting.id: one for one in mine}
    seen = []
    for result in captures:
        if result.capture.instrument == instrument.id:
            setting = instrument.setting(result.capture.setting)
            here = known.get(setting.id) or SettingResult(instrument, setting, {}, (), ())
            if not setting.through_eyepiece:
                seen.append((here, result))
    cells = {}
    for one in columns:
        having = [
            (here.setting.id, value)
            for here, result in seen
            for value in _values(one, here, result)
        ]
        pick = max if one.highest else min
        cells[one.column.id] = Cell(None, why=one.why)
        if having:
            where, value = pick(having, key=lambda pair: pair[1].value)
            cells[one.column.id] = Cell(value, where)
    return cells


def _values(one: ValueColumn, here: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    if one.values:
        yield from named(one.values)(here, result)
    elif one.column.id in result.findings:
        yield result.findings[one.column.id].quantity


def corner_light(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    """Light in the corners, else at the rim of a round field, %."""
    for key in ("evenness_corner", "evenness_edge"):
        if key in result.findings:
            yield result.findings[key].quantity
            return


def distortion(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    """How far distortion moves the corner, % of its distance, without its sign."""
    if "distortion_corner" in result.findings:
        found = result.findings["distortion_corner"].quantity
        yield found if found.value >= 0 else combine(lambda d: -d, (found,), "%")


def fringes(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    """Lateral colour on the object, um."""
    pixel = one.findings.get("pixel_size")
    size = (result.facts.get("width"), result.facts.get("height"))
    if "lateral_colour" in result.findings and pixel is not None and size == one.picture:
        both = (result.findings["lateral_colour"].quantity, pixel.quantity)
        yield combine(lambda d, p: d * p, both, "um")


def decibels(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    """Signal to noise in dB."""
    if "snr_grey" in result.findings:
        yield in_decibels(result.findings["snr_grey"].quantity)


def _run(result: CaptureResult) -> Mapping[str, object] | None:
    part = result.part("focus run")
    return part.evidence if part is not None and part.status == "measured" else None


def _judged_frequency(one: SettingResult) -> float | None:
    """Cycles/px of `JUDGED_PER_MM` in this setting."""
    pixel = one.findings.get("pixel_size")
    return None if pixel is None else JUDGED_PER_MM / 1000 * pixel.quantity.value


def contrast_in_focus(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    """Contrast kept at `JUDGED_PER_MM` in best focus, %."""
    from glassay.focus import quality_at

    run, frequency = _run(result), _judged_frequency(one)
    if run is not None and frequency is not None and frequency <= 0.5:
        kept = quality_at(run, frequency)
        if kept is not None:
            yield kept.scaled(100, "%")


def depth(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    """Depth of field at `JUDGED_PER_MM`, um."""
    from glassay.focus import depth_at

    run, frequency, step = _run(result), _judged_frequency(one), result.capture.step_um
    if run is None or frequency is None or step is None:
        return
    try:
        yield depth_at(run, frequency).scaled(step, "um")
    except NotMeasurable:
        return
