"""The evidence behind a focus stack on a bench: the stacked picture and its map of depth."""

from __future__ import annotations

import base64
from typing import Any

import cv2
import numpy as np

from glassay.report.drawing import Figure, Still
from glassay.report.evidence import Case
from glassay.report.pictures import Pixels

UNKNOWN = 190
"""Grey of what has no known depth."""


def figures(case: Case) -> tuple[Figure, ...]:
    """The picture, sharp at all heights, and the map of depth."""
    evidence = case.evidence
    picture = _decoded(evidence["picture"])
    if picture.ndim == 3:
        picture = picture[..., ::-1]
    low, high, unit = evidence["depth_low"], evidence["depth_high"], evidence["depth_unit"]
    where = "µm" if unit == "um" else "steps of focus"
    known = (
        f"Depth from the first photo: dark blue at {low:.3g}, yellow at {high:.3g} {where}; grey:"
        " unknown."
        if high > low
        else "Depth is not known anywhere in it, or all of it lies at one depth."
    )
    shown = (
        (picture, "Every place from the photos in which it is sharp.", "The stacked picture"),
        (_coloured(_decoded(evidence["depth"]), evidence["levels"]), known, "The map of depth"),
    )
    return tuple(
        Figure((Still(case.embed(np.ascontiguousarray(pixels), 0.4), alt),), words)
        for pixels, words, alt in shown
    )


def _decoded(text: str) -> Pixels:
    data = np.frombuffer(base64.b64decode(text), dtype=np.uint8)
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_UNCHANGED), dtype=np.uint8)


def _coloured(levels: Pixels, highest: int) -> Pixels:
    share = np.clip((levels.astype(np.float32) - 1) / (highest - 1), 0, 1)
    colours: Any = cv2.applyColorMap(np.rint(255 * share).astype(np.uint8), cv2.COLORMAP_CIVIDIS)
    colours = np.asarray(colours)[..., ::-1].copy()
    colours[levels == 0] = UNKNOWN
    return np.asarray(colours, dtype=np.uint8)
