"""Two whole tiles laid over each other at all shifts: where they agree best, and where as well.

Tiles are reduced alike and turned level; correlation by Fourier transform then tells all shifts at
once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import cv2
import numpy as np
from scipy import fft

from glassay.mosaic.lens import Points, applied, composed, inverse
from glassay.mosaic.shifts import RIVAL_SHARE, Coarse, FloatImage, Spectrum, warped

WHOLE_PX = 300
"""Longest side at which two whole tiles are correlated."""
LEAST_COMMON = 0.06
"""Share of a tile that both must show where whole tiles are correlated."""
LEAST_WHOLE = 0.15
"""Agreement of whole tiles below which nothing is measured: two tiles that share nothing reach 0.05
to 0.1 at their best shift."""
LEAST_TOLD = 0.3
"""Correlation of whole tiles where they surely agree from which it tells of other places, too."""
MOST_ELSEWHERE = 3
AS_GOOD = 0.8
"""The same from which the other place is as good: a chip that repeats under every tile gives 0.86 and
more there (the attack's), less than 1 since what is common is narrower."""
AGAIN = 0.9
"""Correlation one period on over that where cells agree: 1 but for what leaves the sight."""
ALIKE, PERFECT = 4.0, 1.02
"""How many times less is left to perfect agreement at a true place than at a false one; two hundredths
are added to perfection, for noise."""
ASIDE = 0.2
"""How far a neighbour in a row or column of photos may be out of line, in sides of a photo."""
ELSEWHERE = 0.5
"""How far from where it was put a tile lies elsewhere, in its longer sides."""


@dataclass(frozen=True, eq=False)
class Whole:
    """A whole tile turned level, ready to be correlated with any other: spectra of its values, its
    mask and its squares; `level` 2 x 3 from undistorted px to the level px."""

    values: Spectrum
    mask: Spectrum
    power: Spectrum
    area: float
    level: Points
    shape: tuple[int, int]

    @cached_property
    def unrepeated(self) -> Spectrum:
        """The values with the root of their amplitudes."""
        size = np.sqrt(np.abs(self.values))
        return np.asarray(self.values / np.maximum(size, 1e-3), dtype=np.complex64)


def whole_of(coarse: Coarse, middle: Points, turn: float, side: float) -> Whole:
    """A tile for `whole_shifts`, turned by `turn` (rad). `side` is the longest side of the set's tiles,
    undistorted px: all tiles of a set are reduced alike."""
    factor = side / WHOLE_PX
    c, s = math.cos(turn), math.sin(turn)
    linear = np.array([[c, -s], [s, c]]) / factor
    half = WHOLE_PX * 0.52
    level = np.column_stack([linear, half - linear @ middle])
    shape = (round(2 * half), round(2 * half))
    reduce = coarse.factor / factor
    values = coarse.values
    if reduce < 0.77:
        values = np.asarray(cv2.GaussianBlur(values, (0, 0), 0.45 / reduce), dtype=np.float32)
    onto = composed(inverse(coarse.onto_tile), inverse(level))
    seen, mask = (warped(v, onto, shape) for v in (values, coarse.mask))
    mask = (mask > 0.99).astype(np.float32)
    seen *= mask
    padded = _padded(shape)
    values, shown, power = (fft.rfft2(v, padded) for v in (seen, mask, seen * seen))
    return Whole(values, shown, power, float(mask.sum()), level, padded)


@lru_cache(maxsize=4)
def _padded(shape: tuple[int, int]) -> tuple[int, int]:
    return fft.next_fast_len(2 * shape[0], real=True), fft.next_fast_len(2 * shape[1], real=True)


@dataclass(frozen=True, eq=False)
class Shifts:
    """How two whole tiles may lie: where what they have in common stands out most (by `stands_out`
    standard deviations of all shifts, `agreeing` so well there, 0..1), and where they agree best."""

    stands_out: float
    agreeing: float
    by_what_is_once: Points
    best: float
    by_all: Points


def whole_shifts(one: Whole, two: Whole) -> Shifts:
    """Where two whole tiles have most in common that does not repeat, and where they agree best.

    Cells of a memory agree at many shifts, and better over a few rows of them than all that two tiles
    share does at the true one. What repeats lies in few frequencies: spectra of which the amplitude
    counts by its root alone leave it little (between plain and phase correlation, Kuglin and Hines
    1975).
    """
    value, score, counts = _over_all_shifts(one, two)
    enough = value > -1
    common = _crossed(one.unrepeated, two.unrepeated, one.shape)
    # sums of what is not alike grow as the root of how many are added
    common = np.where(enough, common / np.sqrt(np.maximum(counts, 1)), 0).astype(np.float32)
    row, column = _highest(common)
    top = _highest(score)
    return Shifts(
        float(common[row, column]) / max(float(common[enough].std()), 1e-9),
        float(_around(score, row, column).max()), _shifted(one, two, (row, column)),
        float(score[top]), _shifted(one, two, top),
    )  # fmt: skip


def _highest(values: FloatImage) -> tuple[int, int]:
    row, column = np.unravel_index(int(np.argmax(values)), values.shape)
    return int(row), int(column)


def _shifted(one: Whole, two: Whole, at: tuple[int, int]) -> Points:
    """The matrix of a shift, of which those beyond half of the picture are negative."""
    shift = [float(n if n < side / 2 else n - side)
             for n, side in zip(at[::-1], one.shape[::-1], strict=True)]  # fmt: skip
    return _at(one, two, np.array(shift))


def _around(values: FloatImage, row: int, column: int) -> FloatImage:
    """A value and its eight neighbours; those beyond the first are the last."""
    rows, columns = (
        np.arange(n - 1, n + 2) % side for n, side in zip((row, column), values.shape, strict=True)
    )
    return values[np.ix_(rows, columns)]


def alike_elsewhere(
    one: Whole, two: Whole, matrix: Points, reach: float
) -> list[tuple[Points, bool]]:
    """Matrices at which two whole tiles agree nearly as well as at `matrix`, farther from it than
    `reach` (undistorted px of the second) either way, the likest first; and whether they agree so well
    there, and at no other place within `reach`, that to whole tiles neither is the better one: cells
    of a memory, which agree again one period on, tell of no place."""
    value, score, _ = (fft.fftshift(v) for v in _over_all_shifts(one, two))
    zero = np.array([n // 2 for n in value.shape[::-1]])
    # where `matrix` puts what lies in the middle of the level px of the first
    probe = applied(inverse(one.level), np.array([[0.0, 0.0]]))
    here = applied(two.level, applied(matrix, probe))[0]
    column, row = (int(n) for n in np.rint(zero + here))
    far = max(1, math.floor(reach * math.hypot(*two.level[:, 0])) - 1)
    rows, columns = (slice(max(0, n - far), n + far + 1) for n in (row, column))
    near = value[rows, columns]
    if not near.size or float(near.max()) < LEAST_TOLD:
        return []  # what they share is too fine to be seen in pictures that small
    best = float(near.max())
    limit = RIVAL_SHARE * best
    score[rows, columns] = -1
    top = cv2.dilate(score, np.ones((5, 5), dtype=np.uint8))
    ys, xs = np.nonzero((score == top) & (value > limit) & (score > LEAST_WHOLE))
    order = np.argsort(-score[ys, xs], kind="stable")[:MOST_ELSEWHERE]
    out = []
    for n in order:
        row, column = int(ys[n]), int(xs[n])
        alike = bool(value[row, column] > AS_GOOD * best) and not _repeats(value, row, column, far)
        out.append((_at(one, two, np.array([column, row]) - zero), alike))
    return out


def _repeats(value: FloatImage, row: int, column: int, far: int) -> bool:
    """Whether two tiles agree about as well at other shifts up to `far` from one."""
    around = value[max(0, row - far) : row + far + 1, max(0, column - far) : column + far + 1]
    tops = (around == cv2.dilate(around, np.ones((5, 5), dtype=np.uint8))) & (
        around > AGAIN * value[row, column]
    )
    return int(tops.sum()) > 1


def least_mismatch(
    one: Whole, two: Whole, matrix: Points | None, extent: Points, shares: tuple[float, float]
) -> float:
    """Least mean square difference of two whole tiles, which are evened, over all shifts at which they
    lie side by side or one above the other, share between `shares` of a tile and are far from where
    `matrix` puts them, if it does; infinite where there are none. `extent`: width and height,
    undistorted px."""
    counts = _crossed(one.mask, two.mask, one.shape)
    sides = math.hypot(*one.level[:, 0]) * extent
    gaps = np.meshgrid(*(fft.fftfreq(n, 1 / n) for n in one.shape[::-1]))
    share = counts / max(min(one.area, two.area), 1.0)
    allowed = (share > shares[0]) & (share < shares[1])
    allowed &= (np.abs(gaps[0]) < ASIDE * sides[0]) | (np.abs(gaps[1]) < ASIDE * sides[1])
    if matrix is not None:
        probe = applied(inverse(one.level), np.array([[0.0, 0.0]]))
        here = applied(two.level, applied(matrix, probe))[0]
        allowed &= np.hypot(gaps[0] - here[0], gaps[1] - here[1]) > ELSEWHERE * sides.max()
    if not allowed.any():
        return math.inf
    # (a - b)^2 = a^2 + b^2 - 2 a b, summed where both are seen
    both = np.conj(one.power) * two.mask + np.conj(one.mask) * two.power
    square = fft.irfft2(both - 2 * np.conj(one.values) * two.values, one.shape)
    return float((square[allowed] / counts[allowed]).min())


def as_alike(best: float, other: float) -> bool:
    """Whether two places are too alike to tell which is true, by how well they agree (0..1): what is
    left to perfect agreement must be `ALIKE` times less at the one than at the other."""
    return PERFECT - other < ALIKE * (PERFECT - best)


def _over_all_shifts(one: Whole, two: Whole) -> tuple[FloatImage, FloatImage, FloatImage]:
    """Normalised correlation at all shifts, and the same less where little is common, both -1 where too
    little is; and how many px are. Shifts are counted from the first value on, negative ones from the
    last back."""
    shape = one.shape
    counts = _crossed(one.mask, two.mask, shape)
    power = _crossed(one.power, two.mask, shape) * _crossed(one.mask, two.power, shape)
    value = _crossed(one.values, two.values, shape) / np.sqrt(np.maximum(power, 1e-3))
    area = min(one.area, two.area)
    # a high correlation of few px is likelier by chance than one of many
    share = np.sqrt(np.clip(counts / max(area, 1.0), 0, 0.2) / 0.2)
    enough = counts > LEAST_COMMON * area
    none = np.float32(-1)
    return np.where(enough, value, none), np.where(enough, value * share, none), counts


def _crossed(first: Spectrum, second: Spectrum, shape: tuple[int, int]) -> FloatImage:
    """Sums of products over all shifts."""
    return np.asarray(fft.irfft2(np.conj(first) * second, shape), dtype=np.float32)


def _at(one: Whole, two: Whole, shift: Points) -> Points:
    moved = one.level.copy()
    moved[:, 2] += shift
    return composed(inverse(two.level), moved)
