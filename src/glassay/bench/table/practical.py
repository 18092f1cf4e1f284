"""The practical facts of one instrument as cells of the comparison table."""

from __future__ import annotations

from collections.abc import Sequence

from glassay.bench.document.model import Instrument
from glassay.bench.document.observed import answered, fact, noted_numbers
from glassay.bench.keeping.results import CaptureResult, Cell
from glassay.bench.measuring.clip_rates import is_clip, surest_rate
from glassay.bench.measuring.methods import medium_of
from glassay.bench.measuring.native_pixels import NOTICEABLE, native_size
from glassay.bench.saying.words import say_time
from glassay.quantity import Quantity, combine

NOT_NOTED = "not noted in bench.toml"
AT_ODDS = "noted in two ways that exclude each other"


def practical(instrument: Instrument, captures: Sequence[CaptureResult]) -> dict[str, Cell]:
    """Cells saved_picture, lights_off, zoom_saved, run_time, storage and failures."""
    noted = noted_numbers(instrument, "battery time")
    times = [] if noted.at_odds else [value for value, _ in noted.counting]
    longest = max(times, key=lambda value: value.value, default=None)
    storage = fact(instrument, "storage")
    return {
        "saved_picture": _saved_picture(instrument, captures),
        "lights_off": _holds(instrument, "lights can be switched off"),
        "zoom_saved": _holds(instrument, "digital zoom is saved"),
        "run_time": Cell(
            longest and longest.scaled(1 / 3600, "h"), why=AT_ODDS if noted.at_odds else NOT_NOTED
        ),
        "storage": Cell((storage.value or storage.what) if storage else None, why=NOT_NOTED),
        "failures": _failures(instrument, captures),
    }


def clip_cells(instrument: Instrument, captures: Sequence[CaptureResult]) -> dict[str, Cell]:
    """Cells frame_rate and video_picture, from clips."""
    clips = [one for one in captures if one.capture.instrument == instrument.id and is_clip(one)]
    why = "no clip was measured"
    found = surest_rate(clips)
    if not clips:
        return {"frame_rate": Cell(None, why=why), "video_picture": Cell(None, why=why)}
    rate = Cell(None, why="no clip shows it") if found is None else (
        Cell(found[0], found[1].capture.setting)
    )  # fmt: skip
    one = max(clips, key=lambda c: c.facts["width"] * c.facts["height"])
    words = f"{one.facts['width']} x {one.facts['height']}"
    if (made := one.findings.get("native_verdict")) is not None and made.value == "enlarged":
        words += ", enlarged"
    return {"frame_rate": rate, "video_picture": Cell(words, one.capture.setting)}


def _holds(instrument: Instrument, kind: str) -> Cell:
    seen = answered(instrument, kind)
    if seen is not None and seen.at_odds:
        return Cell(None, why=AT_ODDS)
    return Cell(seen.by.holds if seen else None, why=NOT_NOTED)


def _saved_picture(instrument: Instrument, captures: Sequence[CaptureResult]) -> Cell:
    """As noted, or else the largest filed photo; photos through an eyepiece are a phone's."""
    seen = fact(instrument, "saved picture")
    if seen is not None and seen.number is not None:
        return Cell(Quantity(seen.number, "MP"))
    own = {setting.id for setting in instrument.settings if not setting.through_eyepiece}
    mine = [one for one in captures if one.capture.instrument == instrument.id]
    sizes = [
        ((one.facts["width"], one.facts["height"]), one.capture.setting)
        for one in mine
        if one.capture.setting in own and one.facts.get("width") and one.facts.get("height")
        and medium_of(one.capture.files) == "photos"
    ]  # fmt: skip
    if not sizes:
        return Cell(None, why="no photo by its own camera")
    size, setting = max(sizes, key=lambda pair: (pair[0][0] * pair[0][1], pair[1]))
    stored, native = size[0] * size[1] / 1e6, native_size(mine, size)
    if native is None:
        return Cell(Quantity(stored, "MP"), setting)
    real = combine(lambda w, h: w * h / 1e6, native, "MP")
    if stored < NOTICEABLE**2 * real.value:
        return Cell(Quantity(stored, "MP"), setting)
    return Cell(real, setting, note=f"enlarged; {stored:.4g} MP are stored")


def _failures(instrument: Instrument, captures: Sequence[CaptureResult]) -> Cell:
    seen = [
        f"{one.what if one.what != 'failure' else one.value}{f' ({one.at})' if one.at else ''}"
        for one in instrument.observations
        if one.kind == "failure"
    ]
    seen += [
        f"recording cut off ({say_time(one.findings['duration'].quantity)})"
        if "duration" in one.findings else "recording cut off"
        for one in captures
        if one.capture.instrument == instrument.id and is_clip(one)
        and one.findings["truncated"].value is True
    ]  # fmt: skip
    return Cell("; ".join(seen) or None, why="none noted")
