"""The pixel size of a setting, from a ruled scale or a grid."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from glassay import versions
from glassay.bench.document.model import Bench, Capture, ReferenceObject
from glassay.bench.measuring.methods.contract import (
    Method,
    Outcome,
    Settings,
    area,
    once,
    only_photo,
    photo_facts,
    word_for,
)
from glassay.imaging.file_names import CLIP_SUFFIXES
from glassay.imaging.tone import FloatImage

if TYPE_CHECKING:
    from glassay.scale import ScaleResult


def division_u(thing: ReferenceObject) -> tuple[float, bool]:
    """Standard uncertainty of an object's division (um), and whether it is only assumed.

    From the certificate: expanded / k. From a tolerance: a rectangular distribution of that
    half-width (JCGM 100:2008, 4.3.7).
    """
    from glassay.scale import ASSUMED_TOLERANCE

    if thing.certificate is not None:
        return thing.certificate.expanded_um / thing.certificate.k, False
    tolerance = ASSUMED_TOLERANCE if thing.tolerance is None else thing.tolerance
    return tolerance * (thing.division_um or 0.0) / math.sqrt(3), thing.tolerance is None


def pattern_of(bench: Bench, capture: Capture) -> str:
    """Which pattern is looked for in a capture."""
    is_grid = bench.object(capture.object).kind == "grid"
    return "grid" if is_grid and capture.pattern == "auto" else capture.pattern


def _scale_settings(bench: Bench, capture: Capture) -> dict[str, Any]:
    thing = bench.object(capture.object)
    u, assumed = division_u(thing)
    value = thing.certificate.division_um if thing.certificate else thing.division_um
    pattern = pattern_of(bench, capture)
    return {
        "object": thing.id,
        "division_um": value,
        "division_u_um": u,
        "division_is_assumed": assumed,
        "pattern": pattern,
        "word": word_for(capture),
        "box": capture.box,
    }


def _measure_scale(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.scale import Division
    from glassay.scale.calibrate import calibrate

    box = area(settings)
    grey, facts, seen = _picture(paths, box)
    result = scale_in(paths, grey, settings)
    division = Division(
        settings["division_um"],
        settings["division_u_um"],
        identity=settings["object"],
        assumed=settings["division_is_assumed"],
    )
    calibration = calibrate(result, division)
    notes = tuple(dict.fromkeys((*seen, *calibration.notes)))
    return Outcome(calibration.findings(), notes, result, facts)


def scale_in(paths: Sequence[Path], grey: FloatImage, settings: Settings) -> ScaleResult:
    """The scale in a capture, in px; found once for all methods that rest on it.

    `settings` have pattern, box and word (see `measure_scale`).
    """
    from glassay.scale import measure_scale

    asked = settings["pattern"], area(settings), settings["word"]
    return once(
        ("scale", tuple(paths), *asked),
        lambda: measure_scale(grey, pattern=asked[0], box=asked[1], word=asked[2]),
    )


def _picture(
    paths: Sequence[Path], box: tuple[int, int, int, int] | None
) -> tuple[FloatImage, dict[str, Any], tuple[str, ...]]:
    """Linear light of a photo or of a clip's first frames, facts, notes. Raises `Unusable`."""
    if len(paths) != 1 or paths[0].suffix.lower() not in CLIP_SUFFIXES:
        photo = only_photo(paths, "a ruled scale")
        if box is not None:
            photo.crop(box)  # raises when it lies outside
        return photo.measuring_grey(), photo_facts(photo), photo.notes
    from glassay.imaging.clip import open_clip
    from glassay.motion.clip import check_box
    from glassay.motion.still import mean_of_still_frames

    clip = open_clip(paths[0])
    check_box(box, clip.facts)
    still = mean_of_still_frames(clip)
    facts = {"width": clip.facts.width, "height": clip.facts.height, "bytes": clip.facts.bytes}
    return still.grey, facts, (f"mean of the first {still.frames} frames, while nothing moved",)


NAMES = {
    "pixel_size": "pixel size",
    "pixel_size_x": "pixel size along x",
    "pixel_size_y": "pixel size along y",
    "division": "division",
    "tilt": "tilt",
    "lines": "lines used",
    "divisions_across": "divisions across the field",
    "field_width": "field width",
    "field_height": "field height",
    "field_diameter": "field diameter",
    "even_rim": "widest side of the even frame",
    "implied_field_number": "field number that this implies",
    "axis_ratio": "ratio of the scales along both axes",
    "axis_angle": "angle between the axes",
}  # fmt: skip

METHODS = (
    Method(
        "ruled scale", ("ruled scale", "grid"), versions.SCALE, _scale_settings, _measure_scale,
        media=("photos", "clip"), names=NAMES,
        drawing="glassay.report.evidence_scale:figures", overlay="glassay.web.overlay:scale",
    ),
)  # fmt: skip
