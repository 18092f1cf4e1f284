"""One tile read once: what is distinctive in it, where it shows something, how light lies on it.

What is kept of a tile is small (some 100 KB), so that thousands fit in memory; the photo itself is
read again when an overlap is measured and when the picture is written.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from glassay.disk import content_hash
from glassay.errors import Unusable
from glassay.imaging import Photo, read_photo
from glassay.imaging.tone import FloatImage, Tone
from glassay.mosaic.greys import Bytes, grey_bytes, keep, smoothed
from glassay.registration import FEATURE_CONTRAST

Points = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

LONGEST_SIDE_PX = 700
"""Tiles are averaged down to about this before features are sought: time grows with the area (0.19 s of
one core at 816 px, 0.10 s at 544 px, with 1500 features either way)."""

MOST_FEATURES = 1500
THUMB_PX = 96
"""Longest side of the small linear picture that light is evened from."""

DARK_SHARE = 0.035
"""Light below this share of the tile's bright parts, joined to its border, is a dark margin: bare
silicon and dark films reflect 15 % of what metal does and more (from memory); stops and housings
show a percent or less."""

DARK_LEAST_AREA = 0.002

SAME_DISTANCE = 0.45
"""Distance of root descriptors below which two features of one tile are taken for the same thing."""


@dataclass(frozen=True, eq=False)
class Tile:
    """What is kept of a tile.

    `places` (n, 2) are features in px of the photo, `angles` (n,) their directions (rad), `sizes`
    (n,) their scale in px, `descriptors` (n, 128) root histograms as bytes. `thumb` (h, w, 3) is
    linear light of cells of `cell` px, `valid` (h, w) which cells show the object. `sharpness` is
    fine detail over coarse detail.
    """

    path: Path
    digest: str
    shape: tuple[int, int]
    deep: bool
    colour: bool
    tone: Tone
    places: Points
    angles: Points
    sizes: Points
    descriptors: Bytes
    cell: int
    thumb: FloatImage
    valid: Mask
    sharpness: float


@dataclass(frozen=True, slots=True)
class Unread:
    """A file that is no usable tile, and why."""

    path: Path
    reason: str


def read_tile(path: Path, tone: Tone | None = None) -> Tile | Unread:
    """Read one tile; a file that cannot be used comes back with its reason."""
    cv2.setNumThreads(1)
    try:
        photo = read_photo(path, tone)
        digest = content_hash(path)
    except Unusable as error:
        return Unread(path, str(error))
    if min(photo.height, photo.width) < 64:
        return Unread(path, f"{path.name}: {photo.width} x {photo.height} px is too small a tile")
    cell = math.ceil(max(photo.height, photo.width) / THUMB_PX)
    thumb = linear_cells(photo, cell)
    valid = shows_object(thumb.mean(axis=2))
    grey = grey_bytes(photo)
    keep(digest, photo.tone, smoothed(grey))
    places, angles, sizes, descriptors = features(grey, valid, cell)
    return Tile(
        path, digest, (photo.height, photo.width), photo.stored.dtype != np.uint8,
        photo.is_colour, photo.tone, places, angles, sizes, descriptors, cell, thumb, valid,
        _sharpness(grey),
    )  # fmt: skip


def linear_cells(photo: Photo, cell: int) -> FloatImage:
    """Mean linear light of cells of `cell` px, (h, w, 3); of every second px of large cells."""
    height, width = (side // cell * cell for side in (photo.height, photo.width))
    step = 2 if cell >= 8 else 1
    few = replace(photo, stored=photo.stored[:height:step, :width:step])
    size = (width // cell, height // cell)
    planes = [
        cv2.resize(few.linear_channel(c), size, interpolation=cv2.INTER_AREA)
        for c in range(3 if photo.is_colour else 1)
    ]
    return np.stack(planes * (3 // len(planes)), axis=2).astype(np.float32)


def shows_object(light: FloatImage) -> Mask:
    """Which cells show the object: not a dark margin or what lies outside a round field."""
    bright = float(np.quantile(light, 0.95))
    dark = light < DARK_SHARE * bright
    dark = ndimage.binary_opening(np.pad(dark, 2, mode="edge"))[2:-2, 2:-2]
    labels, _ = ndimage.label(dark)
    rim = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
    out = np.isin(labels, rim[rim > 0])
    if out.mean() < DARK_LEAST_AREA:
        return np.ones(light.shape, dtype=np.bool_)
    # a cell of distance: the soft rim of a stop
    return np.asarray(~ndimage.binary_dilation(out, iterations=2))


def features(grey: Bytes, valid: Mask, cell: int) -> tuple[Points, Points, Points, Bytes]:
    """Places, angles, sizes and root descriptors of what is distinctive, rarest first: see `Tile`."""
    factor = max(1, math.ceil(max(grey.shape) / LONGEST_SIDE_PX - 0.3))
    height, width = (side // factor * factor for side in grey.shape)
    small = cv2.resize(
        grey[:height, :width], (width // factor, height // factor), interpolation=cv2.INTER_AREA
    )
    low, high = np.quantile(small[::4, ::4], (0.005, 0.995))
    stretched = np.clip((small.astype(np.float32) - low) * (255 / max(high - low, 8.0)), 0, 255)
    sift = cv2.SIFT.create(nfeatures=MOST_FEATURES, contrastThreshold=FEATURE_CONTRAST)
    keypoints, descriptors = sift.detectAndCompute(stretched.astype(np.uint8), None)
    none = np.empty((0, 2)), np.empty(0), np.empty(0), np.empty((0, 128), dtype=np.uint8)
    if descriptors is None or not len(keypoints):
        return none
    places = np.array([k.pt for k in keypoints]) * factor + (factor - 1) / 2
    at = np.minimum((places / cell).astype(int), np.array(valid.shape[::-1]) - 1)
    kept = valid[at[:, 1], at[:, 0]]
    if not kept.any():
        return none
    angles = np.radians([k.angle for k in keypoints])
    sizes = np.array([k.size for k in keypoints]) * factor
    # root of the L1-normalised histogram: compares histograms rather than vectors
    # (Arandjelovic and Zisserman 2012); 128 entries of sum 1 have roots below 1
    root = np.sqrt(descriptors / (descriptors.sum(axis=1, keepdims=True) + 1e-9))[kept]
    order = _rarest_first(root)
    return (
        places[kept][order], angles[kept][order], sizes[kept][order],
        np.rint(255 * root[order]).astype(np.uint8),
    )  # fmt: skip


def _rarest_first(root: FloatImage) -> npt.NDArray[np.int64]:
    """Order of features, those that have no like in their own tile first.

    In a memory array thousands of strong features are all alike and tell nothing of the place; the
    few at its rim, which tell it, would not be among the strongest.
    """
    root = root.astype(np.float32)
    likes = np.count_nonzero(root @ root.T > 1 - SAME_DISTANCE**2 / 2, axis=1)
    return np.asarray(np.argsort(np.minimum(likes, 50), kind="stable"))


def _sharpness(grey: Bytes) -> float:
    """Power of the finest octave over that of the second, in the middle quarter of the picture: falls
    when a tile is out of focus."""
    height, width = (side // 4 for side in grey.shape)
    picture = grey[height : 3 * height, width : 3 * width].astype(np.float32)
    one = cv2.GaussianBlur(picture, (0, 0), 1.0)
    two = cv2.GaussianBlur(one, (0, 0), 1.7)
    three = cv2.GaussianBlur(two, (0, 0), 3.5)
    fine, coarse = float(np.var(one - two)), float(np.var(two - three))
    return math.sqrt(fine / max(coarse, 1e-6))
