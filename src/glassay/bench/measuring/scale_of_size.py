"""The pixel size of pictures that are not of the size in which a setting's scale is usually taken."""

from __future__ import annotations

from collections.abc import Sequence

from glassay.bench.document.model import Bench
from glassay.bench.keeping.results import CaptureResult, captures_in
from glassay.bench.measuring.methods import medium_of
from glassay.bench.measuring.methods.contract import Medium
from glassay.bench.measuring.settings import mean
from glassay.quantity import Quantity


def pixel_size_at(
    bench: Bench, one: CaptureResult, captures: Sequence[CaptureResult], *, what: str, first: Medium
) -> tuple[Quantity | None, str]:
    """Pixel size for the pictures of a capture, from scales in pictures of the same size and setting,
    those of the medium `first` before others; and in words what it rests on, or why there is none.

    A smaller mode is usually scaled or cropped against the photos of the same setting, so no other
    size counts. `what` is what is to be told in um, as a sentence begins with it.
    """
    capture = one.capture
    setting = bench.instrument(capture.instrument).setting(capture.setting)
    if setting.through_eyepiece:
        return None, f"{what} stay in px: the phone at the eyepiece moves too"
    here = [
        other for other in captures_in(capture.instrument, capture.setting, captures)
        if "pixel_size" in other.findings
    ]  # fmt: skip
    size = _size(one)
    alike = [other for other in here if _size(other) == size]
    if not alike:
        again = "film the scale too" if first == "clip" else "photograph the scale so too"
        there_are = "no ruled scale was measured in this setting" if not here else (
            "this setting's scale was photographed at another picture size, and a"
            f" {'video' if first == 'clip' else 'smaller'} mode may be scaled or cropped; {again}"
        )  # fmt: skip
        return None, f"{what} stay in px: {there_are}"
    preferred = [other for other in alike if medium_of(other.capture.files) == first]
    used = preferred or alike
    value = mean([other.findings["pixel_size"].quantity for other in used])
    filmed = medium_of(used[0].capture.files) == "clip"
    source = "the scale filmed in" if filmed else "photos of the same size,"
    ids = ", ".join(other.capture.id for other in used)
    return value, f"um of {what[0].lower()}{what[1:]} rest on {source} {ids}"


def _size(one: CaptureResult) -> tuple[object, object]:
    return one.facts.get("width"), one.facts.get("height")
