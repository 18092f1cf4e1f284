"""The same die again? A photo held against the chips of a shelf, by what they show."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from glassay.bench.chip.die_pictures import mosaic_picture
from glassay.bench.document.chip_mosaics import mosaic_of
from glassay.bench.document.read import load_bench
from glassay.bench.shelf.search import Hit
from glassay.errors import NotMeasurable, Unusable
from glassay.imaging import Photo, read_photo
from glassay.imaging.tone import FloatImage
from glassay.match.measure import match

Corners = npt.NDArray[np.float64]

COMPARED_PX = 700
"""Longer side to which pictures are brought before they are held against each other: layouts differ at
that, and a pair takes seconds."""

MOST_APART = 3.0
"""Ratio of the px sizes that is tried: both pictures are of one size, and a die fills a third of the
photo at least."""

MOST_COMPARED = 40
"""Chips that a photo is held against at most: some minutes."""

ALIKE_IN_SIZE = 0.05
"""Relative difference of the longer side up to which two dies can be one: sawing leaves more or less of
the street, within some percent of small dies (common practice, no source)."""


@dataclass(frozen=True)
class Same:
    """A chip of the shelf that shows the same die: ratio of the pictures' px as they were compared, and
    rotation (deg), as `glassay match` tells them."""

    hit: Hit
    scale_ratio: float
    rotation_deg: float


@dataclass(frozen=True)
class Compared:
    """What was found the same, how many chips were compared, and how many more there were."""

    same: tuple[Same, ...]
    compared: int
    left_out: int


def same_dies(
    photo: Photo, hits: Sequence[Hit], longest_um: float | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Compared:  # fmt: skip
    """Chips whose picture shows what the photo shows. `longest_um` is the longer side of the die in the
    photo where it is known: only dies of about that size are compared then."""
    fitting = [hit for hit in hits if hit.picture.get("file") and _can_be(hit, longest_um)]
    mine = _small(photo)
    same = []
    for hit in fitting[:MOST_COMPARED]:
        say(f"comparing with {hit.title}")
        try:
            theirs = _small(picture_of_hit(hit))
            found = match(mine, theirs, most_apart=MOST_APART).findings()
        except (NotMeasurable, Unusable):
            continue
        ratio, turn = (found[key].quantity.value for key in ("scale_ratio", "rotation"))
        same.append(Same(hit, ratio, turn))
    return Compared(
        tuple(same), min(len(fitting), MOST_COMPARED), max(0, len(fitting) - MOST_COMPARED)
    )


MOST_MOSAIC_PX = 12_000_000
"""Px in which a mosaic is read to be compared or hung on a wall: more is not seen there."""


def whole_picture(hit: Hit) -> tuple[Photo, Corners | None]:
    """The picture in which a chip's die was measured, and the die's corners in it, px, where it was
    found. Raises `Unusable` when it cannot be read."""
    told = hit.picture
    corners = None if told.get("outline") is None else np.asarray(told["outline"], np.float64)
    if "mosaic" not in told:
        photo = read_photo(load_bench(hit.folder).shown_path(str(told["file"])))
        box = told.get("box")
        return photo if box is None else photo.crop((box[0], box[1], box[2], box[3])), corners
    folder = mosaic_of(hit.folder, hit.chip)
    if folder is None:
        raise Unusable(f"the mosaic {told['mosaic']} is not there any more")
    photo = mosaic_picture(folder, MOST_MOSAIC_PX).photo
    if corners is not None:
        # halves: a place moves by half a px of either, which counts from the middle of the first
        scale = np.round(np.log2(np.array(told["size"]) / [photo.width, photo.height]))
        corners = (corners + 0.5) / 2.0**scale - 0.5
    return photo, corners


def picture_of_hit(hit: Hit) -> Photo:
    """The picture of a chip, as far as its die reaches. Raises `Unusable` when it cannot be read."""
    photo, corners = whole_picture(hit)
    if corners is None:
        return photo
    low = np.maximum(np.floor(np.min(corners, axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(np.max(corners, axis=0)) + 1, [photo.width, photo.height]).astype(int)
    width, height = (int(v) for v in high - low)
    return photo.crop((int(low[0]), int(low[1]), width, height))


def _can_be(hit: Hit, longest_um: float | None) -> bool:
    if longest_um is None or hit.width_um is None or hit.height_um is None:
        return True
    return abs(max(hit.width_um, hit.height_um) / longest_um - 1) < ALIKE_IN_SIZE


def _small(photo: Photo) -> FloatImage:
    factor = COMPARED_PX / max(photo.width, photo.height)
    if factor < 1:
        size = (max(1, round(photo.width * factor)), max(1, round(photo.height * factor)))
        stored = cv2.resize(photo.stored, size, interpolation=cv2.INTER_AREA)
        photo = replace(photo, stored=stored, frame_of_whole=None)
    return photo.measuring_grey()
