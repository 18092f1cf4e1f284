"""The pixel array of a camera's own sensor, from photos of its die: lengths in px here.

The pixel size belongs to the setting, which other captures calibrate;
`glassay.bench.measuring.sensor_die` turns px into um and puts captures of one die together.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from glassay import versions
from glassay.bench.document.model import Bench, Capture
from glassay.bench.measuring.methods.contract import Method, Outcome, Settings, area, photo_facts
from glassay.errors import NotMeasurable, Unusable
from glassay.imaging import Photo, read_photo

if TYPE_CHECKING:
    from glassay.lattice import ArrayResult

NAME = "pixel array"


def _array_settings(bench: Bench, capture: Capture) -> dict[str, Any]:
    return {"box": capture.box, "mosaic": bench.object(capture.object).mosaic}


def _measure_array(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.lattice import DiePicture, measure_array

    photos = [read_photo(path) for path in paths]
    if len({(photo.width, photo.height) for photo in photos}) > 1:
        raise Unusable(
            "the photos of one capture belong to one setting, but their sizes in px differ; file"
            " them as captures of their own"
        )
    box = area(settings)
    if box is not None:
        photos[0] = photos[0].crop(box)
    pictures = [
        DiePicture(photo.linear_light(), name=path.name, frame=photo.frame)
        for photo, path in zip(photos, paths, strict=True)
    ]
    notes = tuple(dict.fromkeys(note for photo in photos for note in photo.notes))
    facts = photo_facts(photos[-1])  # the first may be cut to its box
    try:
        result = measure_array(pictures, mosaic=settings["mosaic"], same_scale=True)
    except NotMeasurable as unresolved:
        return _outline_alone(photos, facts, unresolved)
    evidence = evidence_of(result, (0, 0) if box is None else box[:2])
    return Outcome(result.findings(), (*notes, *result.notes), evidence, facts)


def evidence_of(result: ArrayResult, first_at: Sequence[int] = (0, 0)) -> dict[str, Any]:
    """What is needed to draw it, in px of whole photos; the first was cut at `first_at`."""
    x, y = (0, 0) if result.lattice_of else first_at
    pair = (result.lattice.pitch_x, result.lattice.pitch_y)
    apart = [
        pitch and pitch.scaled(share, pitch.unit)
        for pitch, share in zip(pair, result.lattice.spacing, strict=True)
    ]
    evidence: dict[str, Any] = {
        "photo": result.lattice_of, "at": [x, y], "block": list(result.lattice.block_px),
        "filled": result.lattice.filled.astype(int),
        "pitch": apart,  # from line to line of sites, which are nearer in a hexagonal lattice
        "tilt_deg": result.lattice.tilt_deg,
    }  # fmt: skip
    if result.extent is not None and result.extent_of is not None:
        shift = (0, 0) if result.extent_of else first_at
        outline = result.extent.corners + np.asarray(shift)
        evidence |= {"outline_photo": result.extent_of, "outline": outline}
    return evidence


def _outline_alone(
    photos: Sequence[Photo], facts: dict[str, Any], unresolved: NotMeasurable
) -> Outcome:
    """The array's size in photos that do not resolve its pixels; a close-up may count them."""
    from glassay.lattice import find_extent, size_findings

    outlines = {}
    for number, photo in enumerate(photos):
        try:
            outlines[number] = find_extent(photo.linear_light(), frame=photo.frame)
        except NotMeasurable as error:
            reason = str(error)
    if not outlines:
        raise NotMeasurable(f"{unresolved}; nor is its outline seen: {reason}")
    number = max(outlines, key=lambda one: outlines[one].width.value)
    extent = outlines[number]
    notes = (f"its outline is measured, but not its pixels: {unresolved}",)
    evidence = {"outline_photo": number, "outline": extent.corners}
    return Outcome(size_findings(extent.width, extent.height), notes, evidence, facts)


NAMES = {
    "pitch_x": "pixel pitch along x",
    "pitch_y": "pixel pitch along y",
    "column_spacing": "distance between columns of a hexagonal lattice",
    "row_spacing": "distance between rows of a hexagonal lattice",
    "mosaic_period_x": "period of the mosaic along x",
    "mosaic_period_y": "period of the mosaic along y",
    "columns": "columns",
    "rows": "rows",
    "array_megapixels": "pixels of the array",
    "array_width": "width of the array",
    "array_height": "height of the array",
    "array_diagonal": "diagonal of the array",
    "optical_format": "optical format",
}  # fmt: skip

METHODS = (
    Method(
        NAME,
        ("pixel array",),
        versions.ARRAY,
        _array_settings,
        _measure_array,
        names=NAMES,
        drawing="glassay.report.evidence_array:figures",
    ),
)
