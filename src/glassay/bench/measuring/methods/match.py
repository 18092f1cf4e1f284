"""Two captures of one chip laid over each other. Made on pairs, hence on no kind of object alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay import versions
from glassay.bench.document.model import Bench, Capture
from glassay.bench.measuring.methods.contract import (
    Method,
    Outcome,
    Settings,
    photo_facts,
    photo_of,
)
from glassay.errors import NotMeasurable

NAME = "match"


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

BY_FINER = "same chip through a finer instrument"


def _measure_by_finer(paths: Sequence[Path], settings: Settings) -> Outcome:
    """`paths` are the finer and the coarser photo; `settings["mapping"]` takes px of the one to px of
    the other, `settings["finer"]` is the finer one's response with its relative uncertainty."""
    from glassay.detail.relative_response import absolute_response, relative_response
    from glassay.match import Mapping as Laid

    where, finer = settings["mapping"], settings["finer"]
    laid = Laid(
        np.array(where["matrix"]), tuple(where["from_shape"]), tuple(where["to_shape"]),
        where["from_k"], where["to_k"],
    )  # fmt: skip
    fine, coarse = (photo_of(path) for path in paths)
    relative = relative_response(
        fine.linear_grey(), coarse.linear_grey(), laid.inverse(), settings["ratio"],
        coarse.facts.get("quantization"),
    )  # fmt: skip

    def response(f: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.asarray(np.interp(f, finer["frequency"], finer["modulation"], right=0.0))

    found = absolute_response(relative, response, finer["relative_u"])
    if found.frequency_10 is None and found.frequency_50 is None:
        raise NotMeasurable("the common piece does not say where the response falls")
    return Outcome(found.findings(), (), found.evidence(), photo_facts(coarse))


METHODS = (
    Method(NAME, (), versions.MATCH, _no_settings, _measure, names=NAMES),
    Method(
        BY_FINER,
        (),
        f"{versions.FINER_INSTRUMENT}.{versions.MATCH}",
        _no_settings,
        _measure_by_finer,
    ),
)
