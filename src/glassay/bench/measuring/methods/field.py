"""What changes across the field: evenness of light, geometric distortion, lateral colour."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from glassay import versions
from glassay.bench.keeping.results import Column
from glassay.bench.measuring.methods.contract import (
    Method,
    Outcome,
    Settings,
    ValueColumn,
    box_only,
    only_photo,
    photo_facts,
)
from glassay.imaging.compression import LOSSY_FORMATS


def _measure_evenness(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.field import measure_evenness

    photo = only_photo(paths, "a flat field")
    result = measure_evenness(
        photo.linear_light(), full=photo.at_full_scale(), notes=photo.notes,
        other_tones=photo.other_tones,
    )  # fmt: skip
    return Outcome(result.findings(), result.notes, result.evidence(), photo_facts(photo))


def _measure_distortion(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.bench.measuring.joined import view_of
    from glassay.field import measure_distortion

    photo = only_photo(paths, "a grid")
    view = view_of(photo.measuring_grey(), shows="grid")
    result = measure_distortion([view], (photo.height, photo.width), notes=photo.notes)
    return Outcome(result.findings(), result.notes, result.evidence(), photo_facts(photo))


def _measure_colour(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.field import measure_lateral_colour

    photo = only_photo(paths, "a grid or an edge")
    result = measure_lateral_colour(
        photo.linear_light(), full=photo.at_full_scale(),
        compressed=photo.facts.get("format") in LOSSY_FORMATS, notes=photo.notes,
    )  # fmt: skip
    return Outcome(result.findings(), result.notes, result.evidence(), photo_facts(photo))


NAMES = {
    "evenness": "evenness, darkest against brightest",
    "evenness_corner": "light in the corners, of that in the middle",
    "evenness_edge": "light at the edges, of that in the middle",
    "evenness_darkest": "light in the darkest place, of that in the middle",
    "hot_spots": "hot spots",
    "hot_spot_excess": "brightest hot spot, above its surroundings",
    "colour_shift_red": "red against green, corner against middle",
    "colour_shift_blue": "blue against green, corner against middle",
    "distortion_corner": "distortion in the corners",
    "distortion_edge": "distortion at the edges",
    "distortion_points": "points used for distortion",
    "lateral_colour": "lateral colour",
    **{
        f"lateral_{colour}_{place}{way}": f"{colour} against green {where}{words}"
        for colour in ("red", "blue")
        for place, where in (("centre", "in the centre"), ("edge", "at the edges"),
                             ("corner", "in the corners"))
        for way, words in (("", ", outwards"), ("_tangential", ", sideways"))
    },
}  # fmt: skip

_DRAWING = "glassay.report.evidence_field:figures"
_TABLE = "glassay.bench.table.across_field"

METHODS = (
    Method(
        "evenness", ("flat field",), versions.FIELD, box_only, _measure_evenness, names=NAMES,
        drawing=_DRAWING, columns=(
            ValueColumn(
                Column("evenness_corner", "light in the corners", "%",
                       "light in the corners (or at the rim of a round field) over that at the"
                       " centre, in the most even setting", "higher"),
                ("evenness_corner", "evenness_edge"), True, "no flat field was measured",
                f"{_TABLE}:corner_light",
            ),
        ),
    ),
    Method(
        "distortion", ("grid",), versions.FIELD, box_only, _measure_distortion, drawing=_DRAWING,
        columns=(
            ValueColumn(
                Column("distortion_corner", "distortion", "%",
                       "how far distortion moves the corner of the picture, of its distance from the"
                       " centre, in the setting with least", "lower"),
                ("distortion_corner",), False, "no grid was measured", f"{_TABLE}:distortion",
            ),
        ),
    ),
    # Photos of one edge rarely reach the corners; a grid does.
    Method(
        "lateral colour", ("grid",), versions.FIELD, box_only, _measure_colour, drawing=_DRAWING,
        columns=(
            ValueColumn(
                Column("lateral_colour", "colour fringes", "um",
                       "distance between the outermost two of red, green and blue in the corner, at"
                       " the object, in the setting with least", "lower"),
                ("lateral_colour",), False, "no grid was measured in colour", f"{_TABLE}:fringes",
            ),
        ),
    ),
)  # fmt: skip
