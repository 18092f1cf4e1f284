"""Why a tile has no place, as far as its features tell: another zoom, mirrored, or turned."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from glassay.mosaic.blocks import Picture
from glassay.mosaic.greys import Bytes, grey_of
from glassay.mosaic.lens import Lens, Points, laid_upon
from glassay.mosaic.neighbours import MOST_TURN
from glassay.mosaic.overlap import measure_overlap
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


@dataclass(frozen=True)
class _Common:
    """What two photos have in common: `here`, `there` (n, 2), px of features that one similarity fits,
    the scale of the other over this one, and its turn in degrees. Few features count as none."""

    here: Points = field(default_factory=lambda: np.empty((0, 2)))
    there: Points = field(default_factory=lambda: np.empty((0, 2)))
    scale: float = 1.0
    turn: float = 0.0

    @property
    def count(self) -> int:
        """How many places they lie at."""
        return len(np.unique(np.round(self.here / 5), axis=0))


def why_left_out(
    number: int, tiles: Sequence[Tile], placed: Sequence[int], lenses: Sequence[Lens]
) -> str | None:
    """What a tile shows of what placed tiles show, or None where nothing is recognised."""
    tile = tiles[number]
    others = placed[:: max(1, -(-len(placed) // MOST_HELD_AGAINST))]
    own = _picture(tile, lenses[number])
    flipped = Picture(
        np.ascontiguousarray(own.grey[:, ::-1]), own.lens,
        np.ascontiguousarray(tile.valid[:, ::-1]), tile.cell,
    )  # fmt: skip
    places, _, _, descriptors = features(flipped.grey, flipped.valid, tile.cell)
    straight = {n: _common(tile.places, tile.descriptors, tiles[n]) for n in others}
    mirrored = {n: _common(places, descriptors, tiles[n]) for n in others}
    best, likest = (max(one, key=lambda n: one[n].count) for one in (straight, mirrored))
    common, other = straight[best], mirrored[likest]
    if other.count > MIRRORED_OVER_STRAIGHT * common.count and _fits(
        flipped, _picture(tiles[likest], lenses[likest]), other
    ):
        return "it is mirrored: left and right are exchanged against the other photos"
    if common.count and abs(math.log(common.scale)) > ANOTHER_ZOOM:
        return f"taken at another zoom: it shows things {1 / common.scale:.3g} times as large"
    if (
        common.count
        and abs(common.turn) > math.degrees(MOST_TURN)
        and _fits(own, _picture(tiles[best], lenses[best]), common)
    ):
        return f"it lies turned by {abs(common.turn):.0f}° against the other photos"
    return None


def _picture(tile: Tile, lens: Lens) -> Picture:
    grey = grey_of(tile.path, tile.digest, tile.tone)
    return Picture(grey, lens, tile.valid, tile.cell, f"{tile.digest} {tile.tone}")


def _fits(one: Picture, two: Picture, common: _Common) -> bool:
    """Whether two photos fit as wholes where their features put them.

    Corners of one die are alike, mirrored or turned by half: their pads are, what lies between is not.
    """
    here, there = one.lens.undistorted(common.here), two.lens.undistorted(common.there)
    start = laid_upon(here, there, math.radians(common.turn))
    found = measure_overlap(0, 1, one, two, start)
    return found is not None and found.judged(one.lens, two.lens).places


def _common(places: Points, descriptors: Bytes, other: Tile) -> _Common:
    """What one similarity fits; nothing where it fits too few features."""
    if len(places) < FEWEST or len(other.places) < FEWEST:
        return _Common()
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
        return _Common()
    here, there = places[kept], other.places[best[kept]]
    matrix, inside = cv2.estimateAffinePartial2D(
        here, there, method=cv2.RANSAC, ransacReprojThreshold=FITS_PX, maxIters=2000
    )
    if matrix is None:
        return _Common()
    fits = inside.ravel() > 0
    turn = math.degrees(math.atan2(matrix[1, 0], matrix[0, 0]))
    found = _Common(here[fits], there[fits], math.hypot(*matrix[:, 0]), turn)
    return found if found.count >= FEWEST else _Common()


def _next(vectors: npt.NDArray[np.float32], rows: npt.NDArray[np.intp]) -> npt.NDArray[np.float32]:
    """Likeness of each of these features to the likest other one of its own photo."""
    within = vectors[rows] @ vectors.T
    within[np.arange(len(rows)), rows] = -1
    return np.asarray(within.max(axis=1))


def _unit(descriptors: Bytes) -> npt.NDArray[np.float32]:
    vectors = np.asarray(descriptors, dtype=np.float32)
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))
