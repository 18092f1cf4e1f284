"""Why a tile has no place, as far as its features tell: another zoom, mirrored, or turned."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from glassay.mosaic.greys import Bytes, grey_of
from glassay.mosaic.lens import Points
from glassay.mosaic.neighbours import MOST_TURN
from glassay.mosaic.tile import Tile, features

MOST_ASKED = 24
"""Tiles that are looked into: one or two tell what happened to the others."""
MOST_HELD_AGAINST = 40
LIKE = 0.62
"""Distance of root descriptors (unit vectors) beyond which nothing is alike."""
RATIO = 0.85
"""Distance of the likest feature over that of the next, in the other photo or in its own: Lowe (2004)
takes 0.8 for single pairs; here a similarity must fit them besides. What is as alike within a photo
repeats, and fits any zoom and a mirror (photos of cells, hardly turned, were called mirrored)."""
FITS_PX = 4.0
FEWEST = 12
"""Features of one similarity from which two photos surely show the same: 4 to 6 fit by chance."""
MIRRORED_OVER_STRAIGHT = 2
"""Cells and pads are alike in a mirror: of photos that are not mirrored 17 features fitted, and 19 of
their mirrors. Of one that is, nothing fits straight."""
ANOTHER_ZOOM = 0.015
"""Difference of scale from which it is called another zoom: features tell it to some 0.5 %."""

NOTHING = (0, 1.0, 0.0)
"""What two photos have in common that show nothing of each other."""


def why_left_out(tile: Tile, placed: Sequence[Tile]) -> str | None:
    """What the tile shows of what placed tiles show, or None where nothing is recognised."""
    others = placed[:: max(1, -(-len(placed) // MOST_HELD_AGAINST))]
    grey = grey_of(tile.path, tile.digest, tile.tone)
    flipped = np.ascontiguousarray(grey[:, ::-1]), np.ascontiguousarray(tile.valid[:, ::-1])
    places, _, _, descriptors = features(*flipped, tile.cell)
    straight = max((_common(tile.places, tile.descriptors, o) for o in others), default=NOTHING)
    mirrored = max((_common(places, descriptors, o) for o in others), default=NOTHING)
    if mirrored[0] > MIRRORED_OVER_STRAIGHT * straight[0]:
        return "it is mirrored: left and right are exchanged against the other photos"
    count, scale, turn = straight
    if count and abs(math.log(scale)) > ANOTHER_ZOOM:
        return f"taken at another zoom: it shows things {1 / scale:.3g} times as large"
    if count and abs(turn) > math.degrees(MOST_TURN):
        return f"it lies turned by {abs(turn):.0f}° against the other photos"
    return None


def _common(places: Points, descriptors: Bytes, other: Tile) -> tuple[int, float, float]:
    """How many features one similarity fits, its scale, the other's over this one's, and its turn, deg;
    `NOTHING` where they are too few."""
    if len(places) < FEWEST or len(other.places) < FEWEST:
        return NOTHING
    one, two = _unit(descriptors), _unit(other.descriptors)
    likeness = one @ two.T
    best = likeness.argmax(axis=1)
    rows = np.arange(len(one))
    top = likeness[rows, best]
    mutual = likeness.argmax(axis=0)[best] == rows
    likeness[rows, best] = -1
    next_best = np.maximum(likeness.max(axis=1), np.maximum(_next(one, rows), _next(two, best)))
    distance, second = (np.sqrt(np.maximum(2 - 2 * v, 0)) for v in (top, next_best))
    kept = mutual & (distance < LIKE) & (distance < RATIO * second)
    if kept.sum() < FEWEST:
        return NOTHING
    here, there = places[kept], other.places[best[kept]]
    matrix, inside = cv2.estimateAffinePartial2D(
        here, there, method=cv2.RANSAC, ransacReprojThreshold=FITS_PX, maxIters=2000
    )
    if matrix is None:
        return NOTHING
    fits = inside.ravel() > 0
    count = len(np.unique(np.round(here[fits] / 5), axis=0))
    if count < FEWEST:
        return NOTHING
    turn = math.degrees(math.atan2(matrix[1, 0], matrix[0, 0]))
    return count, math.hypot(*matrix[:, 0]), turn


def _next(vectors: npt.NDArray[np.float32], rows: npt.NDArray[np.intp]) -> npt.NDArray[np.float32]:
    """Likeness of each of these features to the likest other one of its own photo."""
    within = vectors[rows] @ vectors.T
    within[np.arange(len(rows)), rows] = -1
    return np.asarray(within.max(axis=1))


def _unit(descriptors: Bytes) -> npt.NDArray[np.float32]:
    vectors = np.asarray(descriptors, dtype=np.float32)
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))
