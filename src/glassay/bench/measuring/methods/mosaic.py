"""Photos of one chip, taken in one setting, laid together as one true picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from glassay import versions
from glassay.bench.document.model import Bench, Capture
from glassay.bench.measuring.methods.contract import (
    Method,
    Outcome,
    Settings,
    photo_facts,
    photo_of,
    with_tone_curve,
)
from glassay.bench.measuring.methods.kept_pictures import as_text
from glassay.errors import NotMeasurable

NAME = "mosaic"
LENGTHS = ("mosaic_width", "mosaic_height")

PLACING = "placing"
"""In the evidence: where the photos lie, from which the whole picture is drawn."""

KEPT_PX = 1000
"""Longest side of the picture kept with the result, to be drawn: `glassay mosaic` writes all of it."""
QUALITY = 85

KEYS = {
    "width": LENGTHS[0], "height": LENGTHS[1], "distortion": "tile_distortion",
    "vignetting": "tile_vignetting", "groups": "tile_groups",
}  # fmt: skip
"""What findings of a mosaic are called on a bench, where other methods tell of single photos."""


def _settings(bench: Bench, capture: Capture) -> dict[str, Any]:
    return with_tone_curve(bench, capture, {"box": capture.box})


def _measure(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.mosaic import Placement, Workers, outlines, overview, place_tiles

    if settings["box"] is not None:
        raise NotMeasurable("a mosaic is made of whole photos: leave the box out")
    if len(paths) < 2:
        raise NotMeasurable("one photo is no mosaic: file two or more that overlap as one capture")
    # one processor: the bench measures several captures at once
    found = place_tiles(paths, tone=settings.get("tone"), workers=Workers(threads=1))
    picture, across = overview(found, KEPT_PX)
    if picture.dtype == np.uint16:
        picture = (picture >> 8).astype(np.uint8)
    evidence = {
        "picture": as_text(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, QUALITY]),
        "outlines": [
            [number, np.round(border / across, 1).tolist()] for number, border in outlines(found)
        ],
        "overlaps": [[a, b, round(c, 3), telling] for a, b, c, telling in found.edges],
        PLACING: Placement.of(found).as_data(),
    }
    findings = {KEYS.get(key, key): one for key, one in found.findings().items()}
    facts = photo_facts(photo_of(paths[0], settings.get("tone")))
    return Outcome(findings, found.left_out, evidence, facts)


NAMES = {
    "tiles_placed": "photos with a sure place",
    "tiles_left_out": "photos left out",
    "tile_groups": "groups of photos that nothing joins",
    "mosaic_width": "width of the mosaic",
    "mosaic_height": "height of the mosaic",
    "loop_closure": "how well overlaps close in loops, rms",
    "tile_distortion": "distortion at the corner of a photo, from the overlaps",
    "tile_vignetting": "light at the corner of a photo against its middle, from the overlaps",
}

METHODS = (
    Method(NAME, ("chip in tiles",), versions.MOSAIC, _settings, _measure, slow=True, names=NAMES,
           drawing="glassay.report.evidence_mosaic:figures"),
)  # fmt: skip
