"""Rough mappings between two photos from what is distinctive in them.

Scale-invariant features (Lowe 2004, as OpenCV implements them, whose patent has run out) on both
photos brought to nearly one scale: a ladder of scales, a factor of two apart, covers what is not
known. Features that match nothing else as well vote for a similarity (random sample consensus) or,
for photos taken from another side, a homography.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.fitting import block_mean
from glassay.imaging.tone import FloatImage
from glassay.match.blocks import Values
from glassay.match.mapping import Mapping, Matrix
from glassay.match.pictures import Look, edge_energy, edge_light
from glassay.registration import FEATURE_CONTRAST

LONGEST_SIDE_PX = 1300
"""Photos are reduced to at most this before features are sought: time grows with the area, and the
rough mapping needs no more."""

MOST_FEATURES = 3000
DISTINCT = 0.85
"""A match counts when its distance is below this times that of the second best. Lowe's 0.8 is for
photos of one kind of light; on dark field against bright field 0.85 keeps a third more true ones."""

FEWEST_VOTES = 5
"""A similarity takes two pairs. Among 100 false ones in 200 000 px three more agree with it by chance
once in 390 000 tries (C(100, 3) (16 pi / 200 000)^3), which is 1.3 % in the 5 000 tries made."""


INLIER_PX = 4.0
"""How far pairs may be from one similarity, px of the reduced photos: 0.3 % of their longest side,
as much as distortion of some per cent bends an overlap."""


@dataclass(frozen=True, eq=False)
class Proposal:
    """A rough mapping, how many features voted for it, and the look in which they did."""

    mapping: Mapping
    look: Look
    votes: int


@dataclass(frozen=True, eq=False)
class Features:
    """Features of one photo: places in its own px (n, 2), descriptors (n, 128)."""

    places: Values
    descriptors: FloatImage


@dataclass(eq=False)
class FeatureStore:
    """Features of one photo at any reduction and look, found once."""

    photo: FloatImage
    _found: dict[tuple[int, Look], Features] = field(default_factory=dict)

    def at(self, factor: int, look: Look) -> Features:
        """Features of the photo averaged by `factor`."""
        key = (factor, look)
        if key not in self._found:
            self._found[key] = find_features(self.photo, factor, look)
        return self._found[key]


def propose(
    coarse: FeatureStore, fine: FeatureStore, look: Look, ratio: float
) -> Iterator[Proposal]:
    """Rough mappings for photos whose px sizes are about `ratio` apart (to a factor of 1.5)."""
    base = math.ceil(max(coarse.photo.shape) / LONGEST_SIDE_PX)
    factor = max(1, round(ratio * base))
    factor = max(factor, math.ceil(max(fine.photo.shape) / (1.5 * LONGEST_SIDE_PX)))
    two = coarse.at(base, _LOOK_OF_COARSE[look]), fine.at(factor, _LOOK_OF_FINE[look])
    shapes = _size(coarse.photo), _size(fine.photo)
    yield from proposals(*two, shapes, look, base)


Shapes = tuple[tuple[int, int], tuple[int, int]]


def _size(photo: FloatImage) -> tuple[int, int]:
    return photo.shape[0], photo.shape[1]


_LOOK_OF_COARSE: dict[Look, Look] = {
    "brightness": "brightness", "edges": "edges", "edge light": "brightness",
    "coarse edge light": "edge light",
}  # fmt: skip
_LOOK_OF_FINE: dict[Look, Look] = {
    "brightness": "brightness", "edges": "edges", "edge light": "edge light",
    "coarse edge light": "brightness",
}  # fmt: skip


def find_features(photo: FloatImage, factor: int, look: Look) -> Features:
    """Features of a photo averaged by `factor`."""
    if look == "edge light":
        photo = edge_light(photo)
    small = block_mean(photo, factor)
    if look == "edges":
        small = edge_energy(small)
    sift = cv2.SIFT.create(nfeatures=MOST_FEATURES, contrastThreshold=FEATURE_CONTRAST)
    keypoints, descriptors = sift.detectAndCompute(_as_bytes(small), None)
    if descriptors is None or len(keypoints) < FEWEST_VOTES:
        return Features(np.empty((0, 2)), np.empty((0, 128), dtype=np.float32))
    places = np.array([k.pt for k in keypoints], dtype=np.float64)
    # root of the L1-normalised histogram: compares histograms rather than vectors
    # (Arandjelovic and Zisserman 2012)
    descriptors = np.sqrt(descriptors / (descriptors.sum(axis=1, keepdims=True) + 1e-9))
    return Features(places * factor + (factor - 1) / 2, descriptors.astype(np.float32))


def proposals(
    coarse: Features, fine: Features, shapes: Shapes, look: Look, base: int
) -> Iterator[Proposal]:
    """Similarities, strongest first, then a homography, from the matches of two sets."""
    if min(len(coarse.places), len(fine.places)) < FEWEST_VOTES:
        return
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(fine.descriptors, coarse.descriptors, k=2)
    good = [
        two[0] for two in pairs if len(two) == 2 and two[0].distance < DISTINCT * two[1].distance
    ]
    source = np.array([coarse.places[m.trainIdx] for m in good]).reshape(-1, 2)
    target = np.array([fine.places[m.queryIdx] for m in good]).reshape(-1, 2)
    left, right = target, source
    for _ in range(3):
        if len(left) < FEWEST_VOTES:
            return
        found, inside = cv2.estimateAffinePartial2D(
            left, right, method=cv2.RANSAC, ransacReprojThreshold=INLIER_PX * base,
            maxIters=5000, confidence=0.999,
        )  # fmt: skip
        votes = 0 if inside is None else _distinct(right, inside)
        if found is None or votes < FEWEST_VOTES:
            break
        matrix: Matrix = np.linalg.inv(np.vstack([found, [0, 0, 1]]))
        yield Proposal(Mapping(matrix, *shapes), look, votes)
        out = inside.ravel() == 0
        left, right = left[out], right[out]
    if len(source) >= 3 * FEWEST_VOTES:
        found, inside = cv2.findHomography(target, source, cv2.USAC_MAGSAC, INLIER_PX * base / 2)
        votes = 0 if inside is None else _distinct(source, inside)
        if found is not None and votes >= 3 * FEWEST_VOTES and abs(np.linalg.det(found)) > 1e-12:
            matrix = np.linalg.inv(found.astype(np.float64))
            yield Proposal(Mapping(matrix / matrix[2, 2], *shapes), look, votes)


def _distinct(places: Values, inside: npt.NDArray[Any]) -> int:
    """Voters at different places: several features may sit on one spot."""
    chosen = places[np.ravel(inside) > 0]
    return len(np.unique(np.round(chosen / 2), axis=0)) if len(chosen) else 0


def _as_bytes(picture: FloatImage) -> npt.NDArray[np.uint8]:
    """Stretched to 8 bits between its extremes of 0.5 %, and evened out where it is dark."""
    low, high = np.quantile(picture, (0.005, 0.995))
    scaled = np.clip((picture - low) / max(high - low, 1e-9), 0, 1)
    return np.asarray(np.rint(255 * np.sqrt(scaled)), dtype=np.uint8)
