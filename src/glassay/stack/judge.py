"""From aligned photos to depth: how fine a grid sharpness is judged on, and what it says there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.stack.align import Alignment
from glassay.stack.blend import moved_onto
from glassay.stack.choose import choose
from glassay.stack.depth import KNOWN_TRUST, Depth, depth
from glassay.stack.doubles import Changes, Watch
from glassay.stack.sharpness import Curves, Sharpness, curves, grain

FINE_SHARE = 0.6
"""Share of the sharp places that must be so by fine detail; below, the photos hold more px than
detail, and are judged at half their size."""
SMALLEST_JUDGED_PX = 150
"""Shorter side that a reduced picture keeps: less shows no structure to judge by (not studied)."""

LARGEST_REDUCTION = 4
"""Softer pictures hold too little for a depth (not studied)."""


@dataclass(frozen=True)
class Grid:
    """Where sharpness is judged: photos of `shape` are reduced by `reduction` first, and each place is
    `step` of the reduced px wide."""

    shape: tuple[int, int]
    photos: int
    reduction: int = 1

    @property
    def reduced(self) -> tuple[int, int]:
        """Height and width of a reduced photo."""
        return self.shape[0] // self.reduction, self.shape[1] // self.reduction

    @property
    def step(self) -> int:
        """Reduced px in a place."""
        return grain(self.reduced, self.photos)

    def reduce(self, picture: FloatImage) -> FloatImage:
        """A photo at the size at which it is judged."""
        if self.reduction == 1:
            return picture
        return _averaged(picture, self.reduced, self.reduction)

    def to_places(self, picture: FloatImage) -> FloatImage:
        """A photo with a px for each place."""
        size = self.reduced[0] // self.step, self.reduced[1] // self.step
        return _averaged(picture, size, self.reduction * self.step)

    def to_photo(self, places: FloatImage) -> FloatImage:
        """A map of places on all px of a photo; what is left at the end repeats the last place."""
        wide = self.reduction * self.step
        found = np.repeat(np.repeat(places, wide, axis=0), wide, axis=1)
        more = [(0, whole - part) for whole, part in zip(self.shape, found.shape, strict=True)]
        return np.pad(found, more, mode="edge")

    def coarser(self) -> Grid | None:
        """The next one, or None where photos are too small for it."""
        further = replace(self, reduction=2 * self.reduction)
        if further.reduction > LARGEST_REDUCTION or min(further.reduced) < SMALLEST_JUDGED_PX:
            return None
        return further


@dataclass(frozen=True)
class Judged:
    """What sharpness says on a grid: depth, curves, the chosen photo of each place, the gain of each
    photo that makes their light even, and how much coarse detail changes from photo to photo."""

    grid: Grid
    depth: Depth
    curves: Curves
    chosen: npt.NDArray[np.intp]
    gains: npt.NDArray[np.float64]
    changes: Changes

    @property
    def fine_share(self) -> float:
        """Share of the sharp places that are so by fine detail; 1 where none is sharp."""
        sharp = self.curves.trust >= KNOWN_TRUST
        fine = self.curves.near_trust >= KNOWN_TRUST
        return float(fine.sum() / sharp.sum()) if sharp.any() else 1.0

    @property
    def filled(self) -> FloatImage:
        """Depth of each place, or, where it is unknown, the photo that neighbours suggest."""
        known = np.isfinite(self.depth.place)
        return np.where(known, self.depth.place, self.chosen).astype(np.float32)


def judge(greys: Iterable[FloatImage], alignment: Alignment, grid: Grid) -> Judged:
    """Judge the photos, (height, width) each, as they lie by `alignment`."""
    sharpness = Sharpness(grid.reduced, grid.photos, grid.step)
    means = np.ones(grid.photos)
    watch = Watch()
    light = np.zeros(grid.reduced, dtype=np.float32)
    for number, grey in enumerate(greys):
        moved, inside = moved_onto(grey, alignment.matrices[number], cv2.INTER_LANCZOS4)
        means[number] = float(moved[inside].mean()) if inside.any() else 1.0
        small = grid.reduce(moved)
        known = grid.reduce(inside.astype(np.float32)) > 0.999
        sharpness.add(small, known)
        light += small / grid.photos
        watch.add(small / np.float32(max(means[number], 1e-6)), known)
    gains = means[alignment.reference] / np.maximum(means, 1e-6)
    sharpness.energy *= (gains**2).astype(np.float32)[None, :, None, None]
    found = curves(sharpness.energy, sharpness.noise(light))
    chosen = choose(found.value, found.trust)
    changes = watch.changes(found.value.argmax(axis=0), found.trust >= KNOWN_TRUST)
    return Judged(grid, depth(found, chosen), found, chosen, gains, changes)


def _averaged(picture: FloatImage, shape: tuple[int, int], factor: int) -> FloatImage:
    whole = picture[: shape[0] * factor, : shape[1] * factor]
    found = cv2.resize(whole, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
    return np.asarray(found, dtype=np.float32)
