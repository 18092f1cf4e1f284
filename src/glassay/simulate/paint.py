"""Painting a scene onto a fine grid without jagged edges: soft coverage of simple shapes.

Every shape is painted as if it had been blurred by one round Gaussian before it was sampled. For
straight edges, and for rectangles at any angle, that blur has a closed form (error functions), so
positions are exact at any sub-pixel place; the optics divides the Gaussian out again in frequency
space, where it is known exactly. What remains of aliasing at the standard grid (2 samples a pixel,
Gaussian of 0.7 samples) is below 0.3 % of an edge's own spectrum at half a cycle a pixel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from scipy.special import erf

from glassay.simulate.geometry import Image, Mapping, Points
from glassay.simulate.table import between

PREFILTER_SAMPLES = 0.7
"""Standard deviation of the Gaussian in samples of the fine grid."""


@dataclass(frozen=True)
class View:
    """The fine grid that a scene is painted on.

    `x` and `y`, shape (rows, columns), are object coordinates in um relative to `origin_um`.
    `sigma_um` is the Gaussian that must be painted in. `mapping` goes from object to sensor px;
    sample (row i, column j) lies at px `start_px` + (j, i) / `oversample`.
    """

    x: Image
    y: Image
    origin_um: tuple[float, float]
    sigma_um: float
    mapping: Mapping
    oversample: int
    start_px: tuple[int, int]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the fine grid."""
        return self.x.shape[0], self.x.shape[1]

    def to_grid(self, points_um: npt.ArrayLike) -> Points:
        """Fine grid positions (column, row), shape (n, 2), of object points (n, 2) in um."""
        return (self.mapping.to_px(points_um) - self.start_px) * self.oversample

    def window(self, corners_um: npt.ArrayLike) -> tuple[slice, slice] | None:
        """The part of the grid that holds these points and the blur around them, or None."""
        grid = self.to_grid(corners_um)
        reach = 4 * PREFILTER_SAMPLES + 2
        low = np.floor(grid.min(axis=0) - reach).astype(int)
        high = np.ceil(grid.max(axis=0) + reach).astype(int) + 1
        rows, columns = self.shape
        left, right = max(low[0], 0), min(high[0], columns)
        top, bottom = max(low[1], 0), min(high[1], rows)
        if left >= right or top >= bottom:
            return None
        return slice(top, bottom), slice(left, right)


class Scene(Protocol):
    """Something to look at: reflectance (or transmittance), 0..1, at points of the object."""

    def paint(self, view: View) -> Image:
        """The scene on the fine grid: (rows, columns), or (rows, columns, 3) in R, G, B."""
        ...

    def marks_um(self) -> dict[str, Points]:
        """Points whose true places are of interest, by kind, each of shape (n, 2) in um."""
        ...

    def facts(self) -> dict[str, float | str]:
        """Numbers and words that are true of the object (division_um, for one)."""
        ...


FEW_SAMPLES = 20_000
BLUR_REACH = 6.0
"""Blurred coverage is told from 0 up to so many standard deviations (there it is 1e-9)."""


def step(distance_um: Image, sigma_um: float) -> Image:
    """Coverage of the half plane where the signed distance is positive."""
    return np.asarray(0.5 + 0.5 * erf(distance_um * (1 / (math.sqrt(2) * sigma_um))))


def band(distance_um: Image, half_width_um: Image | float, sigma_um: float) -> Image:
    """Coverage of the strip within `half_width_um` of the line at distance zero."""
    if distance_um.size > FEW_SAMPLES and np.ndim(half_width_um) == 0:
        near = np.flatnonzero(np.abs(distance_um) < half_width_um + BLUR_REACH * sigma_um)
        if len(near) < distance_um.size / 2:
            cover = np.zeros_like(distance_um)
            cover.ravel()[near] = band(distance_um.ravel()[near], half_width_um, sigma_um)
            return cover
    scale = 1 / (math.sqrt(2) * sigma_um)
    upper = erf((half_width_um - distance_um) * scale)
    return np.asarray(0.5 * (upper + erf((half_width_um + distance_um) * scale)))


def comb(u_um: Image, period_um: float, width_um: float, sigma_um: float) -> Image:
    """Coverage of endless strips of `width_um`, one centred at every multiple of the period.

    Where the blur hides the strips (below 1e-4 of contrast) it is the mean coverage.
    """
    if sigma_um > 0.7 * period_um:
        return np.full_like(u_um, width_um / period_um)
    if u_um.dtype == np.float32 and u_um.size > FEW_SAMPLES:
        return _comb_by_table(u_um, period_um, width_um, sigma_um)
    nearest = u_um - period_um * np.rint(u_um / period_um)
    reach = math.ceil((4 * sigma_um + width_um / 2) / period_um - 0.5)
    cover = band(nearest, width_um / 2, sigma_um)
    for k in range(1, max(reach, 0) + 1):
        cover = cover + band(nearest - k * period_um, width_um / 2, sigma_um)
        cover += band(nearest + k * period_um, width_um / 2, sigma_um)
    return cover


def _comb_by_table(u_um: Image, period_um: float, width_um: float, sigma_um: float) -> Image:
    """`comb` looked up in one period of it, 64 steps to the blur: right to 1e-4 and fast."""
    steps = int(np.clip(64 * period_um / sigma_um, 256, 2**17))
    phase = np.linspace(0, period_um, steps + 1)
    table = comb(phase, period_um, width_um, sigma_um)
    place = u_um * (1 / period_um)
    place -= np.floor(place)
    place *= steps
    return between(table, place)


def rectangle(view: View, box_um: tuple[float, float, float, float]) -> Image:
    """Coverage, on the whole grid, of the rectangle (x0, y0, x1, y1) in um."""
    cover = np.zeros(view.shape, dtype=view.x.dtype)
    add_rectangle(view, cover, box_um)
    return cover


def add_rectangle(view: View, cover: Image, box_um: tuple[float, float, float, float]) -> None:
    """Join the rectangle (x0, y0, x1, y1) in um to `cover`, in place."""
    x0, y0, x1, y1 = box_um
    part = view.window([(x0, y0), (x1, y0), (x0, y1), (x1, y1)])
    if part is None:
        return
    x = view.x[part] + (view.origin_um[0] - (x0 + x1) / 2)
    y = view.y[part] + (view.origin_um[1] - (y0 + y1) / 2)
    one = band(x, (x1 - x0) / 2, view.sigma_um) * band(y, (y1 - y0) / 2, view.sigma_um)
    cover[part] = join(cover[part], one)


def join(first: Image, second: Image) -> Image:
    """Coverage of either of two shapes (smooth where they overlap)."""
    return np.asarray(first + second - first * second)


def blend(under: Image, cover: Image, value: float | Sequence[float]) -> Image:
    """`under` with `value` (grey or R, G, B) painted over it where `cover` is 1."""
    colour = np.asarray(value, dtype=under.dtype)
    if colour.ndim == 0 and under.ndim == 2:
        return np.asarray(under + cover * (colour - under))
    if under.ndim == 2:
        under = np.repeat(under[..., None], 3, axis=2)
    return np.asarray(under + cover[..., None] * (colour - under))


def stamp(
    view: View,
    cover: Image,
    mask: npt.NDArray[np.float32],
    corner_um: tuple[float, float],
    texel_um: float,
    turn_deg: float = 0.0,
) -> None:
    """Join a small drawing (a mask of coverage, 0..1) to `cover`, in place.

    The mask's top left corner lies at `corner_um`, its rows run along x turned by `turn_deg`.
    """
    soft = view.sigma_um / texel_um
    pad = math.ceil(4 * soft) + 2
    soft_mask = cv2.copyMakeBorder(mask, pad, pad, pad, pad, cv2.BORDER_CONSTANT, value=0)
    if soft > 0.3:
        soft_mask = cv2.GaussianBlur(soft_mask, (0, 0), soft)
    rows, columns = soft_mask.shape[:2]
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    edges = (np.array([[0, 0], [columns, 0], [0, rows], [columns, rows]]) - pad) * texel_um
    turned = edges @ np.array([[c, s], [-s, c]])
    part = view.window(turned + corner_um)
    if part is None:
        return
    x = view.x[part] + (view.origin_um[0] - corner_um[0])
    y = view.y[part] + (view.origin_um[1] - corner_um[1])
    column = x * (c / texel_um) + y * (s / texel_um) + (pad - 0.5)
    row = y * (c / texel_um) - x * (s / texel_um) + (pad - 0.5)
    one = map_coordinates(soft_mask, [row, column], x.dtype, order=3)
    cover[part] = join(cover[part], one)
