"""At which shift two tiles agree, and at which others they would nearly.

Both tiles are reduced, freed of distortion and evened (local mean off, local contrast one) once; a pair
is then a turn of one of them and a correlation by Fourier transform over all shifts around the
proposed one. Other shifts that correlate nearly as well are its rivals; a rival loses when block after
block is fitted worse by it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.mosaic.greys import Bytes
from glassay.mosaic.lens import Lens, Points, composed, inverse
from glassay.mosaic.tile import Mask

FloatImage = npt.NDArray[np.float32]
Spectrum = npt.NDArray[np.complex64]

COARSE_PX = 300_000
"""Px of a whole tile in which shifts are searched; finer ones are found from blocks afterwards."""
REACH_SHARE = 0.05
"""How far around the proposed shift rivals are sought, in tile diagonals."""
RIVAL_SHARE = 0.6
"""A shift whose correlation reaches this share of the best one's is a rival."""
MOST_RIVALS = 16
WORSE = 0.25
"""Log ratio of a block's misfits beyond which it tells two shifts apart: a quarter more misfit is far
beyond what a shift by a fraction of a px does."""
FEWEST_TELLING = 4
SAME, OTHER_SHARE = 0.75, 0.1
"""Mean correlation of reduced blocks below which two tiles show different things at a place that is
only thought of; and share of blocks that must when the others agree: dust, a bond wire and stray light
leave as much in a true overlap (`glassay.mosaic.overlap.AGREEING_SHARE`)."""
NO_RIVAL = 36
"""What is stated as telling where there is no rival: about as many blocks as an overlap has."""
BLOCK = 20
"""Side of a block in reduced px."""
LEAST_OVERLAP = 0.35
"""Share of the overlap that must stay in sight at a shift that is considered."""
LEAST_BLOCK_CORRELATION = 0.3
"""Mean correlation of reduced blocks at the best shift below which two tiles show nothing in common:
0.96 to 0.99 where both are alike sharp (simulated dies), 0.1 by chance."""
SMOOTH = 9.0
LEAST_CONTRAST = 3.0
"""Local contrast of 255 below which it is mostly noise, and is not raised to one."""
UNKNOWN_LENS = 0.2
"""Misfit of blocks (1 less the square of their correlation) below which shifts of cells are alike: a
lens told to 3e-4 made sixteen blocks of 400 differ at 0.03, things that do not repeat reach 0.5."""
BESIDE_PX = 3.0
"""Reduced px within which another peak belongs to the best one."""
SLOW = 4
"""Counts and powers change slowly with the shift: they are found at a quarter of the size."""


@dataclass(frozen=True, eq=False)
class Coarse:
    """A tile reduced by `factor`, evened: `values` and `mask` (h, w); `corner` is where the middle
    of the first px lies, undistorted px of the tile."""

    values: FloatImage
    mask: FloatImage
    factor: float
    corner: Points

    @property
    def onto_tile(self) -> Points:
        """2 x 3 matrix from its px to undistorted px of the tile."""
        return np.column_stack([np.eye(2) * self.factor, self.corner])


def coarse_of(grey: Bytes, lens: Lens, valid: Mask, cell: int) -> Coarse:
    """The reduced, undistorted, evened tile."""
    factor = max(1.0, math.sqrt(grey.size / COARSE_PX))
    height, width = grey.shape
    size = math.ceil(width / factor), math.ceil(height / factor)
    small: Any = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    border = np.array([
        (x, y) for x in np.linspace(0, width - 1, 5) for y in np.linspace(0, height - 1, 5)
    ])  # fmt: skip
    seen = lens.undistorted(border)
    low, high = seen.min(axis=0), seen.max(axis=0)
    rows, columns = (math.ceil((high[n] - low[n]) / factor) for n in (1, 0))
    at = _bent(lens, low, factor, (rows, columns))
    scale = np.array([size[0] / width, size[1] / height], dtype=np.float32)
    inner = (at + np.float32(0.5)) * scale - np.float32(0.5)
    cells = (at + np.float32(0.5)) / np.float32(cell) - np.float32(0.5)
    picture = cv2.remap(
        small, inner[..., 0], inner[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float32)  # fmt: skip
    shown = cv2.remap(
        valid.astype(np.float32), cells[..., 0], cells[..., 1],
        cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    inside = (at > -0.5).all(axis=2) & (at < np.array((width, height)) - 0.5).all(axis=2)
    mask = (shown * inside).astype(np.float32)
    return Coarse(_evened(picture, mask), mask, factor, low)


def _bent(lens: Lens, low: Points, factor: float, shape: tuple[int, int]) -> FloatImage:
    """Photo px of every reduced px, from every eighth: the lens is smooth."""
    step = 8
    rows, columns = (-(-side // step) + 1 for side in shape)
    grid = (
        np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1) * (step * factor) + low
    )
    bent = lens.distorted(grid.reshape(-1, 2)).reshape(grid.shape).astype(np.float32)
    matrix = np.array([[1 / step, 0, 0], [0, 1 / step, 0]], dtype=np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(bent, matrix, shape[::-1], flags=flags))


def _evened(picture: FloatImage, mask: FloatImage) -> FloatImage:
    share = np.maximum(_smooth(mask), 1e-3)
    away = np.asarray((picture - _smooth(picture * mask) / share) * mask, dtype=np.float32)
    contrast = np.sqrt(np.maximum(_smooth(away * away) / share, 0))
    return np.asarray(away / (contrast + LEAST_CONTRAST), dtype=np.float32)


def _smooth(picture: FloatImage) -> FloatImage:
    """Local means: found at a third of the size, since they change slowly."""
    size = max(1, picture.shape[1] // 3), max(1, picture.shape[0] // 3)
    small: Any = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    blurred: Any = cv2.GaussianBlur(small, (0, 0), SMOOTH / 3)
    return np.asarray(
        cv2.resize(blurred, picture.shape[::-1], interpolation=cv2.INTER_LINEAR), dtype=np.float32
    )


@dataclass(frozen=True, eq=False)
class Found:
    """The best shift: `matrix` from undistorted px of the first tile to the second's, `rivals` (m, 2)
    shifts from it that are not ruled out, `telling` blocks against the best rival. `repeats`: what both
    share fits itself at another shift; only what lies beside it rules the rivals out."""

    matrix: Points
    rivals: Points
    telling: int
    repeats: bool


def search(
    one: Coarse, two: Coarse, matrix: Points, box: Points, reach_share: float
) -> Found | None:
    """The best shift up to `reach_share` tile diagonals around `matrix` over what lies in `box` (left,
    top, right, bottom, undistorted px of the first); None where both have nothing in common."""
    laid = _laid(one, two, matrix, box, reach_share)
    if laid is None or not len(laid.peaks):
        return None
    blocks, peaks, reach = laid.blocks, laid.peaks, laid.reach
    best = blocks.fit(peaks[0, :2])
    if not best.there.any() or float(best.correlation[best.there].mean()) < LEAST_BLOCK_CORRELATION:
        return None
    turned = ((peaks[:, :2] - reach) * one.factor) @ matrix[:, :2].T
    left_over, telling = [], NO_RIVAL
    for n in range(1, len(peaks)):
        if peaks[n, 2] <= RIVAL_SHARE * peaks[0, 2]:
            continue
        against = best.against(blocks.fit(peaks[n, :2]))
        telling = min(telling, max(against, 0))
        if against < FEWEST_TELLING:
            left_over.append(turned[n] - turned[0])
    kept = matrix.copy()
    kept[:, 2] += turned[0]
    return Found(
        kept, np.array(left_over).reshape(-1, 2), telling, bool(left_over) or laid.repeats()
    )


@dataclass(frozen=True, eq=False)
class _Laid:
    """Two tiles laid upon each other: the common part cut into blocks, the shifts (from 0 on, `reach`
    is none) at which they correlate best."""

    blocks: _Blocks
    peaks: Points
    reach: int

    def repeats(self) -> bool:
        """Whether the common part, of the second tile that part alone, fits at another shift as well.

        A part of nothing but cells, between other things in both tiles, has one place in which it fits
        best; that it is the same part of the chip, nothing tells.
        """
        within = self.blocks.within(self.peaks[0, :2])
        best = within.fit(self.peaks[0, :2])
        others = _peaks(within.surface(self.reach))
        apart = np.abs(others[:, :2] - self.peaks[0, :2]).max(axis=1) > BESIDE_PX
        likely = others[apart & (others[:, 2] > RIVAL_SHARE * self.peaks[0, 2])]
        return any(
            best.against(within.fit(one[:2]), UNKNOWN_LENS) < FEWEST_TELLING for one in likely
        )


def _laid(
    one: Coarse, two: Coarse, matrix: Points, box: Points, reach_share: float
) -> _Laid | None:
    reach = math.floor(reach_share * math.hypot(*one.values.shape))
    corner = np.maximum(np.floor((box[:2] - one.corner) / one.factor).astype(int), 0)
    far = np.minimum(
        np.ceil((box[2:] - one.corner) / one.factor).astype(int) + 1, one.values.shape[::-1]
    )
    width, height = far - corner
    if min(width, height) < BLOCK:
        return None
    rows, columns = (SLOW * -(-(side + 2 * reach) // SLOW) for side in (height, width))
    part = slice(corner[1], far[1]), slice(corner[0], far[0])
    # from the region's px to the second's reduced px
    region = np.column_stack([np.eye(2) * one.factor,
                              one.corner + (corner - reach) * one.factor])  # fmt: skip
    onto = composed(inverse(two.onto_tile), composed(matrix, region))
    b, mask_b = (warped(v, onto, (rows, columns)) for v in (two.values, two.mask))
    mask_b = (mask_b > 0.99).astype(np.float32)
    b *= mask_b
    blocks = _Blocks(one.values[part], one.mask[part], b, mask_b)
    return _Laid(blocks, _peaks(blocks.surface(reach)), reach)


def denied(one: Coarse, two: Coarse, matrix: Points, box: Points, reach_share: float) -> bool:
    """Whether two tiles show different things where `matrix` lays them upon each other, even at the
    best shift up to `reach_share` from it (see `search`). Blocks without structure say nothing."""
    laid = _laid(one, two, matrix, box, reach_share)
    if laid is None:
        return False
    at = laid.peaks[0, :2] if len(laid.peaks) else np.full(2, float(laid.reach))
    fit = laid.blocks.fit(at)
    told = fit.correlation[fit.there]
    if len(told) < FEWEST_TELLING:
        return False
    other = int((told < LEAST_BLOCK_CORRELATION).sum())
    return other >= max(FEWEST_TELLING, OTHER_SHARE * len(told)) or float(told.mean()) < SAME


def warped(picture: FloatImage, matrix: Points, shape: tuple[int, int]) -> FloatImage:
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpAffine(picture, matrix, shape[::-1], flags=flags, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(seen, dtype=np.float32)


def _surface(
    a: FloatImage, mask_a: FloatImage, b: FloatImage, mask_b: FloatImage, reach: int
) -> FloatImage:
    """Normalised correlation at all shifts up to `reach`, -1 where too little is left in sight."""
    shape = [fft.next_fast_len(n, real=True) for n in a.shape]
    whole = fft.irfft2(np.conj(fft.rfft2(a, shape)) * fft.rfft2(b, shape), shape)
    rows = np.arange(-reach, reach + 1)
    sums = whole[np.ix_(rows, rows)]
    quarter = [_reduced(v) for v in (a * a, mask_a, b * b, mask_b)]
    fewer = [fft.next_fast_len(n + 2, real=True) for n in quarter[0].shape]
    power_a, count_a, power_b, count_b = (fft.rfft2(v, fewer) for v in quarter)
    margin = -(-reach // SLOW) + 1
    few = np.arange(-margin, margin + 1)

    def around(first: Spectrum, second: Spectrum) -> FloatImage:
        slow = fft.irfft2(np.conj(first) * second, fewer)[np.ix_(few, few)].astype(np.float32)
        fine = np.array(
            [[1 / SLOW, 0, margin - reach / SLOW], [0, 1 / SLOW, margin - reach / SLOW]]
        )
        return SLOW**2 * warped(slow, fine, (len(rows), len(rows)))

    counts = around(count_a, count_b)
    power = around(power_a, count_b) * around(count_a, power_b)
    enough = counts > LEAST_OVERLAP * max(float(mask_a.sum()), 1.0)
    return np.where(enough, sums / np.sqrt(np.maximum(power, 1e-3)), -1).astype(np.float32)


def _reduced(picture: FloatImage) -> FloatImage:
    size = picture.shape[1] // SLOW, picture.shape[0] // SLOW
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _peaks(surface: FloatImage) -> Points:
    """(n, 3) column, row (to a fraction) and value of the highest peaks, highest first."""
    top = cv2.dilate(surface, np.ones((3, 3), dtype=np.uint8))
    limit = max(0.12, 0.5 * float(surface.max()))
    rows, columns = np.nonzero((surface == top) & (surface > limit))
    order = np.argsort(-surface[rows, columns], kind="stable")[: MOST_RIVALS + 1]
    out = []
    for row, column in zip(rows[order], columns[order], strict=True):
        place = [float(column), float(row)]
        if 0 < row < surface.shape[0] - 1 and 0 < column < surface.shape[1] - 1:
            for axis, (low, high) in enumerate((
                (surface[row, column - 1], surface[row, column + 1]),
                (surface[row - 1, column], surface[row + 1, column]),
            )):  # fmt: skip
                bend = 2 * surface[row, column] - low - high
                if low > -1 and high > -1 and bend > 1e-6:
                    place[axis] += float(np.clip((high - low) / (2 * bend), -0.5, 0.5))
        out.append((*place, float(surface[row, column])))
    return np.array(out).reshape(-1, 3)


@dataclass(frozen=True, eq=False)
class _Fit:
    """Blocks at one shift: `there` where both show structure, and their correlation."""

    there: Mask
    correlation: FloatImage

    def against(self, other: _Fit, unknown: float = 0.01) -> int:
        """Blocks that speak for this shift and against the other, less those of the contrary.

        Below the misfit `unknown`, which is added to all, other things decide than what is shown:
        noise, or a lens that is not known well.
        """
        both = self.there & other.there
        mine, theirs = (
            1 + unknown - np.clip(f.correlation[both], 0, 1) ** 2 for f in (self, other)
        )
        ratio = np.log(theirs / mine)
        return int((ratio > WORSE).sum()) - 3 * int((ratio < -WORSE).sum())


class _Blocks:
    """What lies in the overlap of the first tile, cut into blocks of 20 reduced px."""

    def __init__(self, a: FloatImage, mask: FloatImage, b: FloatImage, mask_b: FloatImage) -> None:
        self._shape = a.shape
        self._b, self._mask_b = b, mask_b
        self._mask, self._a = mask, np.ascontiguousarray(a * mask)

    def within(self, corner: Points) -> _Blocks:
        """The same with what the second shows in the overlap alone, whose corner lies at `corner`."""
        (column, row), (height, width) = np.rint(corner).astype(int), self._shape
        part = slice(max(row, 0), row + height), slice(max(column, 0), column + width)
        mask = np.zeros_like(self._mask_b)
        mask[part] = self._mask_b[part]
        return _Blocks(self._a, self._mask, self._b * mask, mask)

    def surface(self, reach: int) -> FloatImage:
        """Normalised correlation at all shifts up to `reach` (see `_surface`)."""
        a, mask = (np.zeros(self._b.shape, np.float32) for _ in range(2))
        inner = tuple(slice(reach, reach + side) for side in self._shape)
        a[inner], mask[inner] = self._a, self._mask
        return _surface(a, mask, self._b, self._mask_b, reach)

    def fit(self, corner: Points) -> _Fit:
        """Correlation of each block where the overlap's corner lies at `corner` of the second."""
        move = np.array([[1, 0, corner[0]], [0, 1, corner[1]]], dtype=np.float64)
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        moved = cv2.warpAffine(
            self._b, move, self._shape[::-1], flags=flags, borderMode=cv2.BORDER_REFLECT_101
        )
        row, column = (round(float(v)) for v in corner[::-1])
        there = self._mask_b[row : row + self._shape[0], column : column + self._shape[1]]
        m = self._mask * there
        a, b = self._a * m, np.asarray(moved, dtype=np.float32) * m
        share = _block_means(m)
        n = np.maximum(share, 1e-3)
        mean_a, mean_b = _block_means(a) / n, _block_means(b) / n
        aa, bb = _block_means(a * a) / n - mean_a**2, _block_means(b * b) / n - mean_b**2
        ab = _block_means(a * b) / n - mean_a * mean_b
        use = (share > 0.7) & (aa > 0.15)
        return _Fit(use, np.asarray(ab / np.sqrt(np.maximum(aa * bb, 1e-6)), dtype=np.float32))


def _block_means(picture: FloatImage) -> FloatImage:
    rows, columns = picture.shape[0] // BLOCK, picture.shape[1] // BLOCK
    whole = picture[: rows * BLOCK, : columns * BLOCK]
    means = cv2.resize(whole, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(means, dtype=np.float32)
