"""The picture of the mosaic, one square region at a time.

Every place shows the tile in which it lies deepest, soft tiles less willingly; between tiles, coarse
detail fades over a wide band and fine detail over a narrow one (multiband blending, Burt and Adelson
1983), so that neither a step in brightness nor a ghost is left. A region depends on nothing outside
it but a margin, so regions can be made in any order and anywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from glassay.imaging import Photo, read_photo
from glassay.imaging.tone import FloatImage, Tone, linear_to_srgb
from glassay.mosaic.lens import Lens, Points, applied, inverse

BANDS = 4
MARGIN = 4 * 2**BANDS
"""Px around a region that its blending depends on: the reach of the coarsest band."""
STEP = 16
"""Px between places whose mapping is computed; between them it is linear, to 0.01 px for lenses with
percents of distortion."""

_SRGB = linear_to_srgb(np.linspace(0, 1, 4097)).astype(np.float32)
_SRGB_RISE = np.diff(_SRGB)


@dataclass(frozen=True, eq=False)
class Placed:
    """A tile ready to be drawn: `matrix` from its undistorted px to the mosaic's, `gain` (3,) for
    linear light, `shading` (terms, 3) of log light as in `light`, `depth` (h, w) distance from what
    it does not show, cells, `preference` a factor on it."""

    path: Path
    digest: str
    tone: Tone | None
    matrix: Points
    lens: Lens
    gain: Points
    shading: FloatImage
    depth: FloatImage
    cell: int
    preference: float

    def outline(self) -> Points:
        """The photo's border in the mosaic's px, (n, 2), once around."""
        return self.lens.border(self.matrix)


def depth_of(valid: npt.NDArray[np.bool_]) -> FloatImage:
    """Distance of every cell from the nearest that shows nothing, the border included."""
    framed = np.pad(valid, 1)
    return np.asarray(ndimage.distance_transform_edt(framed)[1:-1, 1:-1], dtype=np.float32)


def reaching(
    placed: Sequence[Placed], left: int, top: int, right: int, bottom: int
) -> list[Placed]:
    """The tiles that a region depends on."""
    out = []
    for tile in placed:
        border = tile.outline()
        low, high = border.min(axis=0), border.max(axis=0)
        ahead = low[0] < right + MARGIN and low[1] < bottom + MARGIN
        if ahead and high[0] > left - MARGIN and high[1] > top - MARGIN:
            out.append(tile)
    return out


def draw_region(
    placed: Sequence[Placed], left: int, top: int, width: int, height: int, deep: bool
) -> npt.NDArray[Any]:
    """(3, height, width) uint8 (or uint16) of a region; 0 where no tile lies. `placed` are the tiles
    that reach into it, in a fixed order."""
    cv2.setNumThreads(1)
    x0, y0 = left - MARGIN, top - MARGIN
    shape = _whole(height + 2 * MARGIN), _whole(width + 2 * MARGIN)
    windows = [_Window.of(tile, x0, y0, shape) for tile in placed]
    best = np.zeros(shape, dtype=np.float32)
    label = np.full(shape, -1, dtype=np.int16)
    for number, window in enumerate(windows):
        if window is None:
            continue
        depth = window.depth()
        view = best[window.rows, window.columns]
        better = depth > view
        view[better] = depth[better]
        label[window.rows, window.columns][better] = number
    bands = [
        np.zeros((shape[0] >> n, shape[1] >> n, 3), dtype=np.float32) for n in range(BANDS + 1)
    ]
    weights = [np.zeros((shape[0] >> n, shape[1] >> n), dtype=np.float32) for n in range(BANDS + 1)]
    for number, window in enumerate(windows):
        if window is None:
            continue
        mask = (label[window.rows, window.columns] == number).astype(np.float32)
        if not mask.any():
            continue
        _add(bands, weights, window, window.colours(), mask)
    whole = _collapsed(bands, weights)
    inner = (slice(MARGIN, MARGIN + height), slice(MARGIN, MARGIN + width))
    full = 65535 if deep else 255
    out = np.rint(np.clip(whole[inner], 0, 1) * full).astype(np.uint16 if deep else np.uint8)
    out[label[inner] < 0] = 0
    return np.ascontiguousarray(np.moveaxis(out, 2, 0))


def _whole(side: int) -> int:
    unit = int(2**BANDS)
    return -(-side // unit) * unit


@dataclass(frozen=True, eq=False)
class _Window:
    """The part of a region that a tile reaches into; its sides are multiples of 2^BANDS."""

    tile: Placed
    rows: slice
    columns: slice
    map_x: FloatImage
    map_y: FloatImage

    @classmethod
    def of(cls, tile: Placed, x0: int, y0: int, shape: tuple[int, int]) -> _Window | None:
        outline = tile.outline() - (x0, y0)
        unit = 2**BANDS
        low = np.floor((outline.min(axis=0) - 2 * unit) / unit).astype(int) * unit
        high = np.ceil((outline.max(axis=0) + 2 * unit) / unit).astype(int) * unit
        low = np.maximum(low, 0)
        high = np.minimum(high, shape[::-1])
        if (high <= low).any():
            return None
        xs = np.arange(low[0], high[0] + STEP, STEP, dtype=np.float64)
        ys = np.arange(low[1], high[1] + STEP, STEP, dtype=np.float64)
        points = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2) + np.array((x0, y0))
        at = tile.lens.distorted(applied(inverse(tile.matrix), points)).astype(np.float32)
        grid = at.reshape(len(ys), len(xs), 2)
        maps = [
            _between(grid[..., n], int(high[1] - low[1]), int(high[0] - low[0])) for n in (0, 1)
        ]
        return cls(tile, slice(low[1], high[1]), slice(low[0], high[0]), maps[0], maps[1])

    def depth(self) -> FloatImage:
        """How deep in the tile each px lies, cells; 0 outside."""
        cell = self.tile.cell
        x, y = (self.map_x + 0.5) / cell - 0.5, (self.map_y + 0.5) / cell - 0.5
        depth = cv2.remap(self.tile.depth, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        height, width = self.tile.lens.shape
        inside = (self.map_x >= 0) & (self.map_y >= 0)
        inside &= (self.map_x <= width - 1) & (self.map_y <= height - 1)
        return np.asarray(np.where(inside, depth * self.tile.preference, 0), dtype=np.float32)

    def colours(self) -> FloatImage:
        """The tile over the window, evened, encoded as sRGB, 0..1, (h, w, 3)."""
        tile = self.tile
        height, width = tile.lens.shape
        x1 = int(np.clip(np.floor(self.map_x.min()) - 3, 0, width - 2))
        y1 = int(np.clip(np.floor(self.map_y.min()) - 3, 0, height - 2))
        x2 = int(np.clip(np.ceil(self.map_x.max()) + 4, x1 + 2, width))
        y2 = int(np.clip(np.ceil(self.map_y.max()) + 4, y1 + 2, height))
        photo = read_photo(tile.path, tile.tone)
        light = _light(photo.crop((x1, y1, x2 - x1, y2 - y1)))
        seen = cv2.remap(
            light, self.map_x - x1, self.map_y - y1, cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
        return _encoded(np.asarray(seen, dtype=np.float32) * self._factor())

    def _factor(self) -> FloatImage:
        """What linear light is multiplied by, smooth: found at every 16th px."""
        rows, columns = self.map_x.shape
        x = self.map_x[::STEP, ::STEP].astype(np.float64)
        y = self.map_y[::STEP, ::STEP].astype(np.float64)
        lens = self.tile.lens
        u, v = (x - lens.middle[0]) / lens.half_diagonal, (y - lens.middle[1]) / lens.half_diagonal
        u, v = np.clip(u, -1, 1), np.clip(v, -1, 1)
        from glassay.mosaic.light import POWERS

        terms = np.stack([u**i * v**j for i, j in POWERS], axis=-1)
        factor = np.exp(-(terms @ self.tile.shading)) * self.tile.gain
        wide = np.pad(factor, ((0, 1), (0, 1), (0, 0)), mode="edge").astype(np.float32)
        return _between(wide, rows, columns)


def _encoded(light: FloatImage) -> FloatImage:
    """Values of sRGB, 0..1, linear between those of a table."""
    place = np.clip(light, 0, 1)
    place *= np.float32(len(_SRGB) - 1)
    low = np.minimum(place.astype(np.int32), len(_SRGB) - 2)
    place -= low
    rise = np.take(_SRGB_RISE, low)
    rise *= place
    rise += np.take(_SRGB, low)
    return np.asarray(rise, dtype=np.float32)


def _between(grid: FloatImage, rows: int, columns: int) -> FloatImage:
    """Linear between values, of one kind or several, given at every 16th px (a fraction that OpenCV's
    warping holds exactly)."""
    onto = np.array([[1 / STEP, 0.0, 0.0], [0.0, 1 / STEP, 0.0]])
    between = cv2.warpAffine(
        grid, onto, (columns, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.asarray(between, dtype=np.float32)


def _light(photo: Photo) -> FloatImage:
    light = photo.linear_light()
    if light.ndim == 2:
        light = np.repeat(light[..., None], 3, axis=2)
    return np.ascontiguousarray(light, dtype=np.float32)


def _add(
    bands: list[FloatImage], weights: list[FloatImage], window: _Window, colours: FloatImage,
    mask: FloatImage,
) -> None:  # fmt: skip
    rows, columns = window.rows, window.columns
    for n in range(BANDS + 1):
        part = (
            slice(rows.start >> n, rows.stop >> n),
            slice(columns.start >> n, columns.stop >> n),
        )
        if n == BANDS:
            band = colours
        else:
            smaller = cv2.pyrDown(colours, borderType=cv2.BORDER_REFLECT_101)
            band = colours - cv2.pyrUp(smaller, dstsize=colours.shape[1::-1])
        bands[n][part] += band * mask[..., None]
        weights[n][part] += mask
        if n < BANDS:
            colours = np.asarray(smaller, dtype=np.float32)
            fewer = cv2.pyrDown(mask, borderType=cv2.BORDER_REPLICATE)
            mask = np.asarray(fewer, dtype=np.float32)


def _collapsed(bands: list[FloatImage], weights: list[FloatImage]) -> FloatImage:
    whole = None
    for band, weight in zip(bands[::-1], weights[::-1], strict=True):
        level = band / np.maximum(weight, 1e-4)[..., None]
        if whole is not None:
            level = cv2.pyrUp(whole, dstsize=level.shape[1::-1]) + level
        whole = level
    assert whole is not None
    return np.asarray(whole)
