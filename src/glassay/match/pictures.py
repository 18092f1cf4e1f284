"""What is compared: photos brought to one sampling, as brightness or as the light of edges."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from glassay.field_stop import find_field_stop
from glassay.fitting import block_mean
from glassay.imaging.tone import FloatImage
from glassay.match.mapping import Mapping, Points, outline

Mask = npt.NDArray[np.bool_]
Seen = tuple[FloatImage, FloatImage, Mask]
"""Two photos on one grid, the coarser one first, and where both count."""

Look = Literal["brightness", "edge light", "coarse edge light", "edges"]
"""How two photos are compared.

"brightness": as they are. "edges": the local energy of both, which does not know whether an edge is
a step (bright field), a bright line (dark field) or a line with a shadow (oblique light). "edge
light": the finer photo's edges, taken at its own sampling and then averaged, against the
brightness of the coarser one: what dark field makes of structure too fine for the coarser photo.
"coarse edge light": the other way round, for a finer photo in dark field.
"""

LOOKS: tuple[Look, ...] = ("brightness", "edge light", "coarse edge light", "edges")

ANTI_ALIAS_SIGMA = 0.5
"""Blur before sampling on a grid `s` times coarser, as sigma = this x sqrt(s^2 - 1) px: about the
pixel's own box, which is what the coarser camera averages over."""

ENERGY_FINE_PX, ENERGY_COARSE_PX = 1.0, 4.0
"""Band of the local energy: between these two Gaussian sigmas. Finer lets noise in, coarser merges
neighbouring edges; the agreement of dark field with bright field changes little from 0.7 to 1.5."""

FIELD_SHARE = 0.97
"""Share of a round field's radius that is compared: its rim is soft, and blurs reach over it."""

SPLINE_REACH_PX = 1
"""Within this of the rim the cubic spline would invent values."""


def blurred(picture: FloatImage, sigma: float) -> FloatImage:
    """Gaussian blur, mirrored at the rim; a sigma below 0.2 px does nothing."""
    if sigma < 0.2:
        return picture
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), dtype=np.float32)


def edge_energy(picture: FloatImage) -> FloatImage:
    """Square root of the local energy in a band: high on edges and lines of either contrast.

    The amplitude of the monogenic signal (Felsberg and Sommer 2001): the band-passed picture and
    its Riesz transform, summed in squares. The root keeps the few strongest edges from deciding
    everything.
    """
    pad = 4 * int(ENERGY_COARSE_PX)
    framed = np.pad(picture, pad, mode="reflect" if min(picture.shape) > pad else "edge")
    band = blurred(framed, ENERGY_FINE_PX) - blurred(framed, ENERGY_COARSE_PX)
    fy = fft.fftfreq(band.shape[0]).astype(np.float32)[:, None]
    fx = fft.rfftfreq(band.shape[1]).astype(np.float32)[None, :]
    radius = np.hypot(fx, fy)
    radius[0, 0] = 1
    spectrum = fft.rfft2(band)
    # one complex transform holds both parts: the Riesz pair is (i fx + i i fy) / f
    across = fft.irfft2(spectrum * (1j * fx / radius), s=band.shape)
    down = fft.irfft2(spectrum * (1j * fy / radius), s=band.shape)
    energy = np.sqrt(np.sqrt(band**2 + across**2 + down**2))
    return np.asarray(energy[pad:-pad, pad:-pad], dtype=np.float32)


def edge_light(picture: FloatImage) -> FloatImage:
    """Magnitude of the gradient, per px: roughly what dark field shows of a bright-field picture."""
    soft = blurred(picture, 0.7)
    across = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    down = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    return np.asarray(np.hypot(across, down), dtype=np.float32)


@dataclass(frozen=True, eq=False)
class Sampler:
    """A photo ready to be sampled anywhere on a grid that is `step` px of it wide.

    `coefficients` are those of the cubic spline through the photo, averaged by `factor` and blurred
    so that nothing aliases at that step.
    """

    coefficients: FloatImage
    factor: int
    shape: tuple[int, int]

    @classmethod
    def of(cls, picture: FloatImage, step: float) -> Sampler:
        """Prepare `picture` for a grid whose px are `step` of its own."""
        factor = max(1, int(step + 1e-6))
        small = block_mean(picture, factor)
        rest = max(1.0, step / factor)
        small = blurred(small, ANTI_ALIAS_SIGMA * math.sqrt(rest**2 - 1))
        spline = ndimage.spline_filter(small, 3, output=np.float32, mode="mirror")
        return cls(np.asarray(spline, dtype=np.float32), factor, picture.shape)

    def __call__(self, points: Points, shape: tuple[int, int]) -> tuple[FloatImage, Mask]:
        """The photo at `points` (its own px, one for each px of a grid of `shape`, row by row).

        Returns the picture (the nearest value where the photo does not reach) and where it reaches.
        """
        x, y = ((points - (self.factor - 1) / 2) / self.factor).T
        height, width = self.coefficients.shape
        reach = SPLINE_REACH_PX
        inside = (x >= reach) & (y >= reach) & (x <= width - 1 - reach) & (y <= height - 1 - reach)
        values = ndimage.map_coordinates(
            self.coefficients, [y, x], np.float32, order=3, mode="nearest", prefilter=False
        )
        return np.asarray(values.reshape(shape), dtype=np.float32), inside.reshape(shape)


@dataclass(frozen=True, slots=True)
class RoundField:
    """The part of a photo within the stop of an eyepiece, px of the photo."""

    x: float
    y: float
    radius: float

    def holds(self, points: Points) -> Mask:
        """Which points (n, 2) lie within."""
        return np.asarray(np.hypot(points[:, 0] - self.x, points[:, 1] - self.y) <= self.radius)

    @classmethod
    def of(cls, photo: FloatImage) -> RoundField | None:
        """The field of a photo; None where it fills the photo or none is seen."""
        stop = find_field_stop(photo)
        if stop is None:
            return None
        return cls(stop.x, stop.y, FIELD_SHARE * stop.diameter / 2)


@dataclass(frozen=True, slots=True)
class Grid:
    """A part of a photo, averaged: its px are `factor` px of the photo wide, from (left, top)."""

    left: int
    top: int
    factor: int
    shape: tuple[int, int]

    def to_photo(self, points: Points) -> Points:
        """Points of the grid in px of the photo."""
        return np.asarray(points * self.factor + (self.factor - 1) / 2 + (self.left, self.top))

    def points(self) -> Points:
        """Every px of the grid, row by row, in px of the photo."""
        rows, columns = np.mgrid[: self.shape[0], : self.shape[1]]
        return self.to_photo(np.stack([columns.ravel(), rows.ravel()], axis=1).astype(np.float64))

    def part_of(self, photo: FloatImage) -> FloatImage:
        """The part, averaged."""
        bottom, right = (
            start + side * self.factor
            for start, side in zip((self.top, self.left), self.shape, strict=True)
        )
        return block_mean(photo[self.top : bottom, self.left : right], self.factor)


def overlap_grid(mapping: Mapping, most_px: int) -> Grid | None:
    """The part of the mapping's own photo that the other one covers, of at most `most_px` px.

    None when they do not overlap at all.
    """
    seen = mapping.inverse()(outline(mapping.to_shape))
    height, width = mapping.from_shape
    left, top = np.clip(np.floor(seen.min(axis=0)).astype(int), 0, (width, height))
    right, bottom = np.clip(np.ceil(seen.max(axis=0)).astype(int) + 1, 0, (width, height))
    if right - left < 8 or bottom - top < 8:
        return None
    factor = max(1, math.ceil(math.sqrt((right - left) * (bottom - top) / most_px)))
    shape = (int(bottom - top) // factor, int(right - left) // factor)
    return Grid(int(left), int(top), factor, shape) if min(shape) >= 8 else None


@dataclass(frozen=True, eq=False)
class Pair:
    """Two photos of one chip in linear light, the one with the larger pixels first.

    Where a photo shows a round field in a dark surround, the field is told: only that is compared.
    """

    coarse: FloatImage
    fine: FloatImage
    coarse_field: RoundField | None = None
    fine_field: RoundField | None = None


@dataclass(frozen=True, eq=False)
class Footing:
    """Both photos on one grid, in one look: made once for a rough mapping, sampled many times."""

    grid: Grid
    look: Look
    coarse: FloatImage
    fine: Sampler
    coarse_seen: Mask | None = None
    fine_field: RoundField | None = None

    @classmethod
    def of(cls, pair: Pair, mapping: Mapping, look: Look, most_px: int) -> Footing | None:
        """Prepare the overlap that `mapping` (coarse px to fine px) says; None if there is none."""
        grid = overlap_grid(mapping, most_px)
        if grid is None:
            return None
        middle = grid.to_photo(np.array([[grid.shape[1] / 2, grid.shape[0] / 2]]))
        step = grid.factor * mapping.scale_at(middle)
        fine = edge_light(pair.fine) if look == "edge light" else pair.fine
        coarse = grid.part_of(pair.coarse)
        if look == "coarse edge light":
            coarse = edge_light(coarse)
        seen = None
        if pair.coarse_field is not None:
            seen = pair.coarse_field.holds(grid.points()).reshape(grid.shape)
        return cls(grid, look, coarse, Sampler.of(fine, step), seen, pair.fine_field)

    def seen(self, mapping: Mapping) -> Seen:
        """The coarse photo, the fine one as `mapping` lays it over it, and where both count."""
        points = mapping(self.grid.points())
        fine, mask = self.fine(points, self.grid.shape)
        if self.fine_field is not None:
            mask &= self.fine_field.holds(points).reshape(mask.shape)
        if self.coarse_seen is not None:
            mask &= self.coarse_seen
        coarse = self.coarse
        rim = 1
        if self.look == "edges":
            coarse, fine = edge_energy(coarse), edge_energy(fine)
            rim = 4
        mask = ndimage.binary_erosion(mask, iterations=rim, border_value=1)
        mask[:rim] = mask[-rim:] = False
        mask[:, :rim] = mask[:, -rim:] = False
        return coarse, fine, mask
