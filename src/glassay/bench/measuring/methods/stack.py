"""A focus stack of the photos of a relief, or of any focus run."""

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
    area,
    photo_facts,
    with_tone_curve,
)
from glassay.bench.measuring.methods.kept_pictures import as_text
from glassay.imaging import read_photo
from glassay.imaging.sequence import PhotosInLight
from glassay.imaging.tone import FloatImage, eight_bit
from glassay.quantity import Quantity

KEPT_PX = 640
"""Longest side of the pictures kept with the result, to be drawn: the stack itself, in full, is what
`glassay stack` writes."""
QUALITY = 88
STORED = 250
"""Values of the depth map kept in 8 bits: 1 at the nearest, this at the farthest, 0 where unknown."""


def _settings(bench: Bench, capture: Capture) -> dict[str, Any]:
    return with_tone_curve(bench, capture, {"box": capture.box, "step_um": capture.step_um})


def _measure(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.stack import measure_stack

    step = settings["step_um"]
    found = measure_stack(
        PhotosInLight(tuple(paths), settings.get("tone"), area(settings)),
        step=None if step is None else Quantity(step, "um"),
    )
    encoded = eight_bit(_small(found.picture))
    if encoded.ndim == 3:
        encoded = encoded[..., ::-1]
    depth, low, high = _levels(found.depth)
    evidence = {
        "picture": as_text(".jpg", encoded, [cv2.IMWRITE_JPEG_QUALITY, QUALITY]),
        "depth": as_text(".png", depth), "depth_low": low, "depth_high": high,
        "depth_unit": found.depth_unit, "levels": STORED,
    }  # fmt: skip
    return Outcome(
        found.findings(),
        found.notes,
        evidence,
        photo_facts(read_photo(paths[0], settings.get("tone"))),
    )


def _small(picture: FloatImage) -> FloatImage:
    factor = KEPT_PX / max(picture.shape[:2])
    if factor >= 1:
        return picture
    size = round(picture.shape[1] * factor), round(picture.shape[0] * factor)
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _levels(depth: FloatImage) -> tuple[np.ndarray[Any, np.dtype[np.uint8]], float, float]:
    """Depth of every few px in 8 bits, and the depths of the first and the last level."""
    thin = max(1, -(-max(depth.shape) // KEPT_PX))
    few = depth[::thin, ::thin]
    known = np.isfinite(few)
    if not known.any():
        return np.zeros(few.shape, dtype=np.uint8), 0.0, 0.0
    low, high = (float(v) for v in np.percentile(few[known], (1, 99)))
    share = np.clip((np.where(known, few, low) - low) / max(high - low, 1e-9), 0, 1)
    return np.where(known, 1 + np.rint((STORED - 1) * share), 0).astype(np.uint8), low, high


NAMES = {
    "frames": "photos stacked",
    "depth_range": "relief, from the nearest to the farthest place",
    "in_focus_share": "part of the picture that is sharp in some photo",
    "magnification_change": "change of magnification from the first photo to the last",
}  # fmt: skip

METHODS = (
    # aside: a run that was taken to find the depth of field need not show relief
    Method("focus stack", ("relief",), versions.STACK, _settings, _measure, aside=("focus run",),
           slow=True, names=NAMES, shares=("in_focus_share", "magnification_change"),
           drawing="glassay.report.evidence_stack:figures"),
)  # fmt: skip
