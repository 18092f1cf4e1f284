"""Two photos of one chip, laid over each other: scale ratio, rotation, and whether it is the chip.

The result rests on the photos alone. Calibrations speed the search up and are afterwards held
against the scale ratio that was found.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage
from glassay.match.agree import Check
from glassay.match.find import LIKE_LIGHT, Found, Searcher, fitting_looks, scales_to_try
from glassay.match.pictures import LOOKS
from glassay.match.refine import refine
from glassay.match.result import MatchResult, result_of
from glassay.match.rivals import DECIDED, DECIDED_AT_ALL, Standing, standing
from glassay.quantity import Quantity, combine

MOST_APART = 20.0
"""Ratio of the pixel sizes up to which photos are matched without calibrations."""

SMALLEST_SIDE_PX = 40
"""Photos smaller than this on a side are refused."""


def match(
    first: FloatImage,
    second: FloatImage,
    *,
    pixel_size_1: Quantity | float | None = None,
    pixel_size_2: Quantity | float | None = None,
    most_apart: float = MOST_APART,
) -> MatchResult:
    """Register two photos of one chip, in linear light, shapes (height, width).

    Pixel sizes in um (both, or the match goes by the photos alone) only guide the search. Photos
    may differ in magnification by up to `most_apart`, in rotation, lighting, colour and blur. A
    slight tilt and radial lens distortion are found when the photos show them; a view from another
    side (a plane in perspective) is matched too, and said so.

    Raises `NotMeasurable` when the photos do not show the same piece of one chip, when one is a
    mirror image of the other, or when the chip repeats itself so that the match may be off by a
    period.
    """
    first, second = _usable(first, "first"), _usable(second, "second")
    ratio = _calibration_ratio(pixel_size_1, pixel_size_2)
    notes: list[str] = []
    found = _find(first, second, ratio, most_apart, notes)
    looks = [] if found is None else fitting_looks(found)
    if found is None or not looks:
        raise NotMeasurable(_mirrored(first, second, ratio, most_apart) or NOTHING_IN_COMMON)
    alike = looks[0].look == "brightness" and looks[0].correlation >= LIKE_LIGHT
    found, place, reason = _decided(found, looks)
    if reason:
        raise NotMeasurable(_mirrored(first, second, ratio, most_apart) or reason)
    try:
        found, result = refine(found, [one.look for one in looks], alike)
    except NotMeasurable as error:
        raise NotMeasurable(_mirrored(first, second, ratio, most_apart) or str(error)) from None
    return result_of(found, result, place, ratio, alike, notes)


NOTHING_IN_COMMON = "the photos show no common piece of one chip that could be recognised"


def _usable(photo: FloatImage, name: str) -> FloatImage:
    picture = np.asarray(photo, dtype=np.float32)
    if picture.ndim != 2:
        raise ValueError(f"the {name} photo has shape {picture.shape}, not (height, width)")
    if min(picture.shape) < SMALLEST_SIDE_PX:
        raise NotMeasurable(f"the {name} photo is smaller than {SMALLEST_SIDE_PX} px on a side")
    if not np.isfinite(picture).all():
        raise NotMeasurable(f"the {name} photo holds values that are no numbers")
    if float(picture.max()) == float(picture.min()):
        raise NotMeasurable(f"the {name} photo is one even surface")
    return np.ascontiguousarray(picture)


def _calibration_ratio(
    one: Quantity | float | None, two: Quantity | float | None
) -> Quantity | None:
    if one is None or two is None:
        return None
    sizes = [p if isinstance(p, Quantity) else Quantity(float(p), "um") for p in (one, two)]
    if not all(math.isfinite(size.value) and size.value > 0 for size in sizes):
        raise ValueError("pixel sizes are above 0")
    return combine(lambda a, b: b / a, sizes, "1")


def _find(
    first: FloatImage,
    second: FloatImage,
    ratio: Quantity | None,
    most: float,
    notes: list[str],
) -> Found | None:
    """With the prior by features, then as a whole; then as if there were no prior."""
    searcher = Searcher(first, second)
    if ratio is not None:
        found = searcher.by_features(scales_to_try(ratio.value, most))
        if found is None:
            scale, first_is_coarse = scales_to_try(ratio.value, most)[0]
            found = searcher.by_template(scale, first_is_coarse, most, LOOKS)
        if found is not None:
            return found
    found = searcher.by_features(scales_to_try(None, most))
    if found is None and ratio is None:
        for first_is_coarse in (False, True):
            found = searcher.by_template(None, first_is_coarse, most, LOOKS[:3])
            if found is not None:
                break
    if found is not None and ratio is not None:
        notes.append("the photos match only at a scale other than that of the calibrations")
    return found


def _mirrored(
    first: FloatImage, second: FloatImage, ratio: Quantity | None, most: float
) -> str | None:
    """What to say when one photo is a mirror image of the other, else None."""
    mirrored = Searcher(np.ascontiguousarray(first[:, ::-1]), second)
    scales = scales_to_try(None if ratio is None else ratio.value, most)
    found = mirrored.by_features(scales)
    if found is None or not standing(found.pair, found.check.mapping, found.check.look).clear:
        return None
    return "one photo is a mirror image of the other; turn it back in what wrote it"


def _decided(found: Found, looks: list[Check]) -> tuple[Found, Standing, str]:
    """The place that the photos decide for in one of the looks, or why they do not."""
    reason = NOTHING_IN_COMMON
    for one in looks:
        at, place = _against_rivals(replace(found, check=replace(one, mapping=found.check.mapping)))
        if place.clear:
            return at, place, ""
        if place.evidence >= DECIDED_AT_ALL and place.rival is not None:
            turn = place.rival.turn_deg
            turned = f" and turned by {turn:.0f} deg" if abs(turn) > 20 else ""
            reason = (
                f"the chip repeats itself here: shifted by {place.rival.shift_px:.0f} px of the"
                f" coarser photo{turned}, the photos fit about as well; show more of the chip or"
                " something that occurs once"
            )
    return found, place, reason


def _against_rivals(found: Found) -> tuple[Found, Standing]:
    """The best of the places that look alike, and how it stands against the others."""
    for _ in range(3):
        place = standing(found.pair, found.check.mapping, found.check.look)
        if place.rival is None or place.rival.worse_by > -DECIDED:
            break
        found = replace(found, check=replace(found.check, mapping=place.rival.mapping))
    return found, place
