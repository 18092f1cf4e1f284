"""From captures to settings: means over the captures of one, and the readings they allow."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from glassay.bench.document.model import Bench, Instrument, ReferenceView, Setting
from glassay.bench.keeping.results import (
    NATIVE_PIXEL,
    CaptureResult,
    SettingResult,
    captures_in,
)
from glassay.bench.measuring.methods import medium_of
from glassay.bench.measuring.native_pixels import enlargement, native_pixel_size
from glassay.bench.measuring.what_binds import binding_of
from glassay.finding import Finding
from glassay.optics import readings
from glassay.optics.readings import Reading
from glassay.quantity import Quantity, weighted_sum

MEANS = ("pixel_size", "field_width", "field_height", "field_diameter")
"""Findings of single captures that are averaged for their setting."""

REPEATABILITY = "repeatability between captures"


def mean(quantities: Sequence[Quantity]) -> Quantity:
    """Mean of repeated measurements of one thing, with their repeatability as a contribution.

    What the captures share (the slide, the setting's lens) stays common to them and does not show
    in their scatter; their own contributions average out. Where they scatter more than those
    explain, the excess variance over n is added with n - 1 degrees of freedom (JCGM 100:2008, 4.2;
    excess as in a random-effects mean). That unknown is the setting's; `named` names it after it.
    """
    if len(quantities) == 1:
        return quantities[0]
    count = len(quantities)
    average = weighted_sum([1 / count] * count, quantities, quantities[0].unit)
    gaps = [weighted_sum((1, -1), (q, average), average.unit) for q in quantities]
    # The expectation of the sample variance, whatever the values have in common.
    expected = sum(gap.u**2 for gap in gaps) / (count - 1)
    excess = statistics.variance(q.value for q in quantities) - expected
    if excess <= 0:
        return average
    return average.with_contribution(
        REPEATABILITY, math.sqrt(excess / count), count - 1, scope="setting"
    )


def settle(bench: Bench, captures: Sequence[CaptureResult]) -> tuple[SettingResult, ...]:
    """The settings for which anything is known, in the order of `bench.toml`."""
    found = [
        _measured(instrument, setting, captures)
        for instrument in bench.instruments
        for setting in instrument.settings
    ]
    reference = _reference_field(bench.reference_view, found)
    notes: tuple[str, ...] = ()
    if bench.reference_view.instrument is not None and reference is None:
        notes = (
            f"the reference view ({bench.reference_view.instrument}) has no measured field or no"
            " single stated magnification; field-equivalent readings use the standard eyepiece",
        )
    settled = [
        _with_native(_with_readings(bench, one, reference, notes), captures) for one in found
    ]
    bound = [replace(one, binding=binding_of(one, captures)) for one in settled]
    return tuple(one for one in bound if one.findings or one.readings or one.binding)


def _measured(
    instrument: Instrument, setting: Setting, captures: Sequence[CaptureResult]
) -> SettingResult:
    mine = [
        c for c in captures_in(instrument.id, setting.id, captures) if "pixel_size" in c.findings
    ]
    # A video mode has its own pixel size; it stands for the setting only where no photo does.
    mine = [c for c in mine if medium_of(c.capture.files) == "photos"] or mine
    sizes = Counter(_size(c) for c in mine)
    notes: list[str] = []
    picture = sizes.most_common(1)[0][0] if sizes else None
    if len(sizes) > 1 and picture is not None:
        mine = [c for c in mine if _size(c) == picture]
        notes.append(
            f"captures of {len(sizes)} picture sizes; those of {picture[0]} x {picture[1]} px count"
        )
    findings: dict[str, Finding] = {}
    owner = f"setting {instrument.id}/{setting.id}"
    for key in MEANS:
        having = [c.findings[key] for c in mine if key in c.findings]
        if not having:
            continue
        method = having[0].method
        if len(having) > 1:
            method += f", mean of {len(having)} captures"
        # What turns a zoom between captures moves their pixel size and their field together.
        average = mean([finding.quantity for finding in having]).named(owner, "setting")
        findings[key] = Finding(average, method)
    notes += _disagreement(findings.get("pixel_size"))
    ids = tuple(c.capture.id for c in mine)
    return SettingResult(instrument, setting, findings, (), ids, picture, tuple(notes))


def _size(result: CaptureResult) -> tuple[int, int]:
    return int(result.facts.get("width", 0)), int(result.facts.get("height", 0))


NOTABLE_SCATTER = 0.01
"""Repeatability above 1 % of the pixel size is pointed out: the zoom or the focus was moved."""


def _disagreement(pixel_size: Finding | None) -> list[str]:
    if pixel_size is None:
        return []
    quantity = pixel_size.quantity
    for part in quantity.contributions:
        if part.source == REPEATABILITY and abs(part.u) > NOTABLE_SCATTER * quantity.value:
            return [
                "its captures disagree by more than their own uncertainty"
                f" (standard deviation of the mean {abs(part.u) / quantity.value:.1%}):"
                " was it one setting?"
            ]
    return []


def nominal_magnification(setting: Setting) -> float | None:
    """The stated visual magnification of a setting in one position; None for a whole range."""
    ends = setting.chain.to_eye
    return ends[0] if ends is not None and ends[0] == ends[1] else None


def _reference_field(
    view: ReferenceView, found: Sequence[SettingResult]
) -> tuple[Quantity, float, str] | None:
    for one in found:
        if one.instrument.id == view.instrument and view.setting in (None, one.setting.id):
            field, power = one.seen_width, nominal_magnification(one.setting)
            if field is not None and power is not None:
                return field, power, f"{one.instrument.title}, {one.setting.title}"
    return None


def _with_readings(
    bench: Bench,
    one: SettingResult,
    reference: tuple[Quantity, float, str] | None,
    notes: tuple[str, ...],
) -> SettingResult:
    chain = one.setting.chain
    allowed: list[Reading | None] = list(readings.visual(chain) or ())
    seen = one.seen_width
    diameter = one.findings.get("field_diameter")
    if diameter is not None:
        allowed.append(readings.visual_from_field(chain, diameter.quantity))
    if seen is not None:
        view = bench.reference_view
        allowed.append(
            readings.field_equivalent_to(seen, *reference)
            if reference is not None
            else readings.field_equivalent(seen, view.eyepiece, view.field_number_mm)
        )
    if not one.setting.through_eyepiece:
        allowed += _picture_readings(bench, one)
    present = tuple(reading for reading in allowed if reading is not None)
    return SettingResult(
        one.instrument, one.setting, _with_implied(one), present, one.captures, one.picture,
        one.notes + (notes if seen is not None else ()),
    )  # fmt: skip


def _picture_readings(bench: Bench, one: SettingResult) -> list[Reading | None]:
    width = one.findings.get("field_width")
    pixel = one.findings.get("pixel_size")
    if width is None or pixel is None or one.picture is None:
        return []
    chain = one.setting.chain
    found = [readings.on_sensor(chain, pixel.quantity, one.picture[0], one.setting.digital_zoom)]
    if bench.display is not None:
        found.append(readings.on_display(bench.display, width.quantity, one.picture))
    if chain.display is not None:
        own = readings.on_display(chain.display, width.quantity, one.picture, own_screen=True)
        found.append(own)
    return found


def _with_native(one: SettingResult, captures: Sequence[CaptureResult]) -> SettingResult:
    """The setting with the size of a native pixel, where its files are known to be enlarged."""
    if one.setting.through_eyepiece or enlargement(one, captures) is None:
        return one
    native = native_pixel_size(one, captures)
    if native is None:
        return one
    finding = Finding(native, "pixel size of the files x their enlargement")
    return replace(one, findings={NATIVE_PIXEL: finding, **one.findings})


def _with_implied(one: SettingResult) -> Mapping[str, Finding]:
    """The findings, and the field number that a measured round field implies."""
    diameter = one.findings.get("field_diameter")
    if diameter is None:
        return one.findings
    implied = readings.implied_field_number(one.setting.chain, diameter.quantity)
    if implied is None:
        return one.findings
    method = "field diameter x objective or zoom x auxiliary x tube"
    return {**one.findings, "implied_field_number": Finding(implied, method)}
