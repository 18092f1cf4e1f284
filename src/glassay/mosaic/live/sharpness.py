"""How sharp a view is against another one of the same: what is shown no longer counts then."""

from __future__ import annotations

import math

import cv2
import numpy as np

from glassay.mosaic.live.picture import Place, View

LEAST_COMMON = 0.1
"""Share of a view that both must show to be compared."""


def sharper(view: View, other: View, away: Place) -> float:
    """How sharp a view is against another one that lies so that this one is `away` from it; NaN
    where they share too little."""
    rows, columns = view.sharpness.shape
    height, width = view.detail.shape
    if math.hypot(away.x, away.y) > math.hypot(width, height):
        return math.nan  # nothing in common, without looking
    matrix = away.matrix((width, height))
    x = (np.arange(columns) + 0.5) * width / columns - 0.5
    y = (np.arange(rows) + 0.5) * height / rows - 0.5
    px, py = np.meshgrid(x, y)
    mx = matrix[0, 0] * px + matrix[0, 1] * py + matrix[0, 2] + (width - 1) / 2
    my = matrix[1, 0] * px + matrix[1, 1] * py + matrix[1, 2] + (height - 1) / 2
    theirs = cv2.remap(
        other.sharpness, ((mx + 0.5) * columns / width - 0.5).astype(np.float32),
        ((my + 0.5) * rows / height - 0.5).astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    inside = (mx > 0) & (my > 0) & (mx < width) & (my < height)
    if inside.sum() < LEAST_COMMON * inside.size:
        return math.nan
    mine, theirs = view.sharpness[inside], np.asarray(theirs)[inside]
    strong = theirs >= np.median(theirs)
    return float(np.median(mine[strong] / np.maximum(theirs[strong], 1e-6)))
