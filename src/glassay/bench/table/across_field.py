"""Columns of field, noise and focus in the comparison table, where any of it was measured."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

from glassay.bench.keeping.results import CaptureResult, Cell, Column, SettingResult
from glassay.bench.saying.finding_names import in_decibels
from glassay.errors import NotMeasurable
from glassay.quantity import Quantity, combine

JUDGED_PER_MM = 50.0
"""Line pairs per mm on the object at which focus is compared: lines of 10 um, such as bond pads'
gaps and the wide wires of chips, which every instrument for the job should show."""

COLUMNS = (
    Column("evenness_corner", "light in the corners", "%",
           "light in the corners (or at the rim of a round field) over that at the centre, in the"
           " most even setting", "higher"),
    Column("distortion_corner", "distortion", "%",
           "how far distortion moves the corner of the picture, of its distance from the centre, in"
           " the setting with least", "lower"),
    Column("lateral_colour", "colour fringes", "um",
           "distance between the outermost two of red, green and blue in the corner, at the object,"
           " in the setting with least", "lower"),
    Column("snr_grey", "signal to noise", "dB",
           "20 log10 of mean over noise of one pixel, at half of full scale", "higher"),
    Column("focus_quality", "contrast in focus", "%",
           f"contrast that edges keep at {JUDGED_PER_MM:g} lp/mm on the object in the sharpest photo"
           " of a focus run", "higher"),
    Column("depth_of_field", "depth of field", "um",
           f"depth over which contrast at {JUDGED_PER_MM:g} lp/mm on the object stays above half of"
           " its best"),
)  # fmt: skip
"""In their usual order."""

Value = tuple[SettingResult, Quantity]


def measured_columns(captures: Sequence[CaptureResult]) -> tuple[Column, ...]:
    """The columns for which any capture has a finding."""
    found = {key for result in captures for key in result.findings}
    if found & {"evenness_edge", "evenness_corner"}:
        found.add("evenness_corner")
    if "depth_of_field_frames" in found:
        found |= {"depth_of_field"}
    return tuple(column for column in COLUMNS if column.id in found)


def field_cells(
    columns: Sequence[Column], mine: Sequence[SettingResult], captures: Sequence[CaptureResult]
) -> dict[str, Cell]:
    """One instrument's cells for `columns`, those of `measured_columns`.

    A setting of which nothing else is known (no pixel size) has no place here.
    """
    cells = {}
    for column in columns:
        reader, pick, why = _READERS[column.id]
        having = [
            (one, value)
            for one in mine
            if not one.setting.through_eyepiece
            for result in captures
            if (result.capture.instrument, result.capture.setting)
            == (one.instrument.id, one.setting.id)
            for value in reader(one, result)
        ]
        if having:
            one, value = pick(having, key=lambda pair: pair[1].value)
            cells[column.id] = Cell(value, one.setting.id)
        else:
            cells[column.id] = Cell(None, why=why)
    return cells


def _corner_light(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    for key in ("evenness_corner", "evenness_edge"):
        if key in result.findings:
            yield result.findings[key].quantity
            return


def _distortion(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    if "distortion_corner" in result.findings:
        found = result.findings["distortion_corner"].quantity
        yield found if found.value >= 0 else combine(lambda d: -d, (found,), "%")


def _fringes(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    pixel = one.findings.get("pixel_size")
    size = (result.facts.get("width"), result.facts.get("height"))
    if "lateral_colour" in result.findings and pixel is not None and size == one.picture:
        both = (result.findings["lateral_colour"].quantity, pixel.quantity)
        yield combine(lambda d, p: d * p, both, "um")


def _decibels(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    if "snr_grey" in result.findings:
        yield in_decibels(result.findings["snr_grey"].quantity)


def _run(result: CaptureResult) -> Mapping[str, object] | None:
    part = result.part("focus run")
    return part.evidence if part is not None and part.status == "measured" else None


def _judged_frequency(one: SettingResult) -> float | None:
    """Cycles/px of `JUDGED_PER_MM` in this setting."""
    pixel = one.findings.get("pixel_size")
    return None if pixel is None else JUDGED_PER_MM / 1000 * pixel.quantity.value


def _contrast_in_focus(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    from glassay.focus import quality_at

    run, frequency = _run(result), _judged_frequency(one)
    if run is not None and frequency is not None and frequency <= 0.5:
        kept = quality_at(run, frequency)
        if kept is not None:
            yield kept.scaled(100, "%")


def _depth(one: SettingResult, result: CaptureResult) -> Iterator[Quantity]:
    from glassay.focus import depth_at

    run, frequency, step = _run(result), _judged_frequency(one), result.capture.step_um
    if run is None or frequency is None or step is None:
        return
    try:
        yield depth_at(run, frequency).scaled(step, "um")
    except NotMeasurable:
        return


Reader = Callable[[SettingResult, CaptureResult], Iterator[Quantity]]
Pick = Callable[..., Value]

_READERS: dict[str, tuple[Reader, Pick, str]] = {
    "evenness_corner": (_corner_light, max, "no flat field was measured"),
    "distortion_corner": (_distortion, min, "no grid was measured"),
    "lateral_colour": (_fringes, min, "no grid was measured in colour"),
    "snr_grey": (_decibels, max, "no repeat pair reaches that grey"),
    "focus_quality": (
        _contrast_in_focus, max, "no focus run shows an edge, or no pixel size was measured"
    ),
    "depth_of_field": (
        _depth, min, "no focus run with a stated step, or no pixel size was measured"
    ),
}  # fmt: skip
