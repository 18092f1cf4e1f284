"""Two captures of one chip laid over each other. Made on pairs, hence on no kind of object alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from glassay.bench.document.model import Bench, Capture
from glassay.bench.measuring.methods.contract import Method, Outcome, Settings
from glassay.errors import NotMeasurable

NAME = "match"


def _version() -> str:
    from glassay.match import METHOD_VERSION

    return METHOD_VERSION


def _no_settings(bench: Bench, capture: Capture) -> dict[str, Any]:
    raise NotMeasurable("a match takes two captures")


def _measure(paths: Sequence[Path], settings: Settings) -> Outcome:
    """`settings["known"]` holds for each photo its calibration: pixel size in um (None: unknown) and
    the picture size that it belongs to. They only guide the search."""
    from glassay.imaging import read_photo
    from glassay.match import match

    photos = [read_photo(path) for path in paths]
    sizes = [
        one["pixel_size_um"] if one["picture"] == [photo.width, photo.height] else None
        for one, photo in zip(settings["known"], photos, strict=True)
    ]
    result = match(
        photos[0].linear_grey(), photos[1].linear_grey(),
        pixel_size_1=sizes[0], pixel_size_2=sizes[1],
    )  # fmt: skip
    return Outcome(result.findings(), result.notes, result)


NAMES = {
    "scale_ratio": "ratio of pixel sizes, second over first",
    "rotation": "rotation of the second against the first",
    "residual": "misfit of the match",
    "correlation": "correlation of the match",
    "shared_width": "width of what both show",
    "shared_height": "height of what both show",
    "calibration_ratio": "ratio of pixel sizes by the calibrations",
    "calibration_error": "calibrations against the match",
    "calibrations": "the calibrations",
    "unexplained": "difference left unexplained",
}  # fmt: skip

METHODS = (Method(NAME, (), _version, _no_settings, _measure, names=NAMES),)
