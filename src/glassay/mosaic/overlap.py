"""Two tiles laid over each other: where they agree, how well, and where else they would.

The shift is found by correlation of both tiles, evened locally, over all shifts around the proposed
one (by Fourier transform). Other shifts that correlate nearly as well are its rivals; a rival loses
when block after block is fitted worse by it. Then blocks of the overlap are measured to hundredths
of a px by least squares on the brightness with gain and offset (Lucas and Kanade 1981).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from glassay.mosaic.lens import Lens, Points, applied, composed
from glassay.mosaic.tile import Bytes, Mask

FloatImage = npt.NDArray[np.float32]

COARSE_PX = 90_000
"""Px of the overlap in which shifts are searched; finer ones are found from blocks afterwards."""
REACH_SHARE = 0.05
"""How far around the proposed shift rivals are sought, in tile diagonals."""
RIVAL_SHARE = 0.6
"""A shift whose correlation reaches this share of the best one's is a rival."""
MOST_RIVALS = 10
WORSE = 0.25
"""Log ratio of a block's misfits beyond which it tells two shifts apart: a quarter more misfit is far
beyond what a shift by a fraction of a px does."""
FEWEST_TELLING = 4
BLOCK_PX = 56
MOST_BLOCKS = 36
FEWEST_BLOCKS = 5
AGREES_PX = 2.5
CORRELATES = 0.45
"""Mean correlation of aligned blocks of a true overlap: 0.6 and more where one tile is soft, 0.9 and
more where both are sharp; chance reaches 0.3 over blocks that one shift must fit."""
AGREEING_SHARE = 0.5
PINNED_PX = 0.05
"""Standard uncertainty to which all blocks together must tell the weaker direction."""
WHOLE_PX = 300
"""Longest side at which two whole tiles are correlated."""
LEAST_COMMON = 0.06
"""Share of a tile that both must show where whole tiles are correlated."""


@dataclass(frozen=True, eq=False)
class Picture:
    """What overlaps are measured in: encoded grey a little smoothed, its lens, where it is valid."""

    grey: Bytes
    lens: Lens
    valid: Mask
    cell: int

    def is_valid(self, points: Points) -> Mask:
        """Whether points (n, 2) px lie within the picture and show the object."""
        height, width = self.grey.shape
        x, y = points[..., 0], points[..., 1]
        inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
        column = (np.nan_to_num(x, posinf=0, neginf=0) / self.cell).astype(int)
        row = (np.nan_to_num(y, posinf=0, neginf=0) / self.cell).astype(int)
        rows, columns = self.valid.shape
        return np.asarray(inside & self.valid[row.clip(0, rows - 1), column.clip(0, columns - 1)])


@dataclass(frozen=True, eq=False)
class Overlap:
    """How two tiles lie to each other.

    `matrix`: 2 x 3, undistorted px of the first to those of the second. `here`, `there` (n, 2): the
    same points of the object in px of either photo; `information` (n, 2, 2): inverse covariance of
    `there`, 1/px^2. `correlation`: mean of the aligned blocks, `share` of the blocks that agree.
    `rivals` (m, 2): other shifts, px of the second, that the blocks do not rule out. `telling`: how
    many blocks speak against the best rival (`MOST_BLOCKS` where there is none).
    """

    first: int
    second: int
    matrix: Points
    here: Points
    there: Points
    information: Points
    correlation: float
    share: float
    rivals: Points
    telling: int

    @property
    def holds(self) -> bool:
        """Whether the tiles really show the same there."""
        return (
            len(self.here) >= FEWEST_BLOCKS
            and self.correlation >= CORRELATES
            and self.share >= AGREEING_SHARE
        )

    @property
    def decided(self) -> bool:
        """Whether no other shift fits about as well."""
        return self.holds and not len(self.rivals) and self.pinned

    @property
    def pinned(self) -> bool:
        """Whether the blocks tell both directions: lines that all run one way tell only one."""
        known = np.linalg.eigvalsh(self.information.sum(axis=0))
        return bool(known[0] > 1 / PINNED_PX**2)


@dataclass(frozen=True, eq=False)
class _Pair:
    one: Picture
    two: Picture
    matrix: Points

    def mapped(self, points: Points) -> Points:
        """Px of the first photo to px of the second."""
        return self.two.lens.distorted(applied(self.matrix, self.one.lens.undistorted(points)))

    def moved(self, shift: Points) -> _Pair:
        """The pair with the second's undistorted px shifted."""
        matrix = self.matrix.copy()
        matrix[:, 2] += shift
        return replace(self, matrix=matrix)


def measure_overlap(
    first: int, second: int, one: Picture, two: Picture, matrix: Points, *, search: bool = True
) -> Overlap | None:
    """Measure two tiles that lie about as `matrix` says; None when they share too little."""
    pair = _Pair(one, two, matrix)
    box = _shared_box(pair)
    if box is None:
        return None
    rivals, telling = np.empty((0, 2)), MOST_BLOCKS
    if not search:
        return _measured(first, second, pair, box, rivals, telling)
    for attempt in range(2):
        found = _search(pair, box)
        if found is None:
            return None
        pair, rivals, telling = found
        box = _shared_box(pair)
        if box is None:
            return None
        overlap = _measured(first, second, pair, box, rivals, telling)
        if overlap is None or not len(rivals) or attempt:
            break
        # a proposal from features may be turned by a tenth of a degree: judge rivals once more
        pair = replace(pair, matrix=overlap.matrix)
    return overlap


Box = tuple[int, int, int, int]


def _shared_box(pair: _Pair) -> Box | None:
    """Left, top, right, bottom in the first photo of what both show."""
    height, width = pair.one.grey.shape
    xs, ys = np.linspace(0, width - 1, 40), np.linspace(0, height - 1, 30)
    points = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    inside = pair.one.is_valid(points) & pair.two.is_valid(pair.mapped(points))
    if inside.sum() < 12:
        return None
    low, high = points[inside].min(axis=0), points[inside].max(axis=0)
    step = np.array([width / 39, height / 29]) / 2
    left, top = np.maximum(low - step, 0).astype(int)
    right, bottom = np.minimum(high + step, (width, height)).astype(int)
    if min(right - left, bottom - top) < 40:
        return None
    return int(left), int(top), int(right), int(bottom)


def _search(pair: _Pair, box: Box) -> tuple[_Pair, Points, int] | None:
    """The pair at the best shift, rival shifts that are not ruled out, and blocks against them."""
    left, top, right, bottom = box
    factor = max(1.0, math.sqrt((right - left) * (bottom - top) / COARSE_PX))
    reach = REACH_SHARE * 2 * pair.one.lens.half_diagonal
    xs = np.arange(left - reach, right + reach, factor)
    ys = np.arange(top - reach, bottom + reach, factor)
    points = np.stack(np.meshgrid(xs, ys), axis=-1)
    mapped = _mapped_grid(pair, points)
    a, mask_a = _sampled(pair.one, points, factor)
    b, mask_b = _sampled(pair.two, mapped, factor)
    # the first is compared within the overlap only; the second may come from around it
    inner = ((points >= (left, top)) & (points <= (right, bottom))).all(axis=-1)
    mask_a &= inner
    a = np.where(mask_a, a, 0).astype(np.float32)
    shape = [fft.next_fast_len(n, real=True) for n in a.shape]
    fa, fb = fft.rfft2(a, shape), fft.rfft2(b * mask_b, shape)
    ma, mb = (
        fft.rfft2(mask_a.astype(np.float32), shape),
        fft.rfft2(mask_b.astype(np.float32), shape),
    )
    reach_px = math.floor(reach / factor)
    rows = np.arange(-reach_px, reach_px + 1)

    def around(product: npt.NDArray[np.complex64]) -> FloatImage:
        whole = fft.irfft2(product, shape)
        return np.asarray(whole[np.ix_(rows, rows)], dtype=np.float32)

    sums, counts = around(np.conj(fa) * fb), around(np.conj(ma) * mb)
    power_b = around(np.conj(ma) * fft.rfft2(b * b * mask_b, shape))
    power_a = around(np.conj(fft.rfft2(a * a, shape)) * mb)
    enough = counts > 0.35 * max(float(mask_a.sum()), 1.0)
    surface = np.where(enough, sums / np.sqrt(np.maximum(power_a * power_b, 1e-3)), -1)
    peaks = _peaks(surface)
    if not len(peaks):
        return None
    shifts = (peaks[:, :2] - reach_px) * factor
    turned = shifts @ _local(pair, box).T
    kept = pair.moved(turned[0])
    contenders = [n for n in range(1, len(peaks)) if peaks[n, 2] > RIVAL_SHARE * peaks[0, 2]]
    best = _block_misfits(a, mask_a, b, peaks[0, :2] - reach_px)
    left_over, telling = [], MOST_BLOCKS
    for n in contenders:
        other = _block_misfits(a, mask_a, b, peaks[n, :2] - reach_px)
        ratio = np.log(other / best)
        worse, better = int((ratio > WORSE).sum()), int((ratio < -WORSE).sum())
        against = worse - 3 * better
        telling = min(telling, max(against, 0))
        if against < FEWEST_TELLING:
            left_over.append(turned[n] - turned[0])
    return kept, np.array(left_over).reshape(-1, 2), telling


def _local(pair: _Pair, box: Box) -> Points:
    """How a step in the first photo moves the second's undistorted px: columns by x and y."""
    return pair.matrix[:, :2]


def _mapped_grid(pair: _Pair, points: Points) -> Points:
    """`pair.mapped` over a regular grid, from every eighth point: the lens is smooth."""
    rows, columns = points.shape[:2]
    r = np.unique(np.append(np.arange(0, rows, 8), rows - 1))
    c = np.unique(np.append(np.arange(0, columns, 8), columns - 1))
    coarse = pair.mapped(points[np.ix_(r, c)].reshape(-1, 2)).reshape(len(r), len(c), 2)
    down = ndimage.map_coordinates  # linear between the points kept
    place = np.meshgrid(
        np.interp(np.arange(rows), r, np.arange(len(r))),
        np.interp(np.arange(columns), c, np.arange(len(c))), indexing="ij",
    )  # fmt: skip
    return np.stack([down(coarse[..., n], place, order=1) for n in range(2)], axis=-1)


def _sampled(picture: Picture, points: Points, factor: float) -> tuple[FloatImage, Mask]:
    """The picture at a grid of points, evened: local mean taken off, local contrast made one."""
    grey: Any = picture.grey
    if factor > 1.3:
        grey = cv2.GaussianBlur(grey, (0, 0), 0.45 * factor)
    at = points.astype(np.float32)
    seen = cv2.remap(
        grey, np.ascontiguousarray(at[..., 0]), np.ascontiguousarray(at[..., 1]),
        cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101,
    ).astype(np.float32)  # fmt: skip
    mask = picture.is_valid(points)
    share = np.maximum(_smooth(mask.astype(np.float32)), 1e-3)
    seen = np.where(mask, seen, 0).astype(np.float32)
    away = np.where(mask, seen - _smooth(seen) / share, 0).astype(np.float32)
    contrast = np.sqrt(_smooth(away * away) / share)
    # contrast of less than 3 of 255 is mostly noise, and is not raised to one
    return np.asarray(away / (contrast + 3.0) * mask, dtype=np.float32), mask


def _smooth(picture: FloatImage) -> FloatImage:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), 9.0), dtype=np.float32)


def _peaks(surface: FloatImage) -> Points:
    """(n, 3) column, row (to a fraction) and value of the highest peaks, highest first."""
    top = ndimage.maximum_filter(surface, size=3)
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


def _block_misfits(a: FloatImage, mask: Mask, b: FloatImage, shift: Points) -> Points:
    """1 - correlation^2 of blocks of 20 coarse px, the second taken `shift` px on."""
    side = 20
    move = np.array([[1, 0, shift[0]], [0, 1, shift[1]]], dtype=np.float64)
    moved = cv2.warpAffine(
        b, move, (a.shape[1], a.shape[0]),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip
    rows, columns = a.shape[0] // side, a.shape[1] // side

    def sums(picture: FloatImage) -> FloatImage:
        cut = picture[: rows * side, : columns * side].reshape(rows, side, columns, side)
        return np.asarray(cut.sum(axis=(1, 3)))

    m = mask.astype(np.float32)
    count = sums(m)
    use = count > 0.7 * side * side
    n = np.maximum(count, 1)
    mean_a, mean_b = sums(a * m) / n, sums(moved * m) / n
    aa, bb = sums(a * a * m) / n - mean_a**2, sums(moved * moved * m) / n - mean_b**2
    ab = sums(a * moved * m) / n - mean_a * mean_b
    use &= aa > 0.15
    rho = ab / np.sqrt(np.maximum(aa * bb, 1e-6))
    # a hundredth is added: beyond that agreement, noise decides
    return np.asarray(1.01 - np.clip(rho, 0, 1)[use] ** 2)


def _measured(
    first: int, second: int, pair: _Pair, box: Box, rivals: Points, telling: int
) -> Overlap | None:
    places = _block_places(pair, box)
    if len(places) < FEWEST_BLOCKS:
        return None
    blocks = _cut(pair.one.grey, places, np.broadcast_to(np.eye(2), (len(places), 2, 2)))
    jacobians = _jacobians(pair, places)
    there = pair.mapped(places)
    for turn in range(4):
        found = _steps(blocks, _cut(pair.two.grey, there, jacobians))
        step = found.steps
        length = np.hypot(step[:, 0], step[:, 1])
        step = step * np.minimum(1, 4.0 / np.maximum(length, 1e-9))[:, None]
        target = there + np.einsum("nij,nj->ni", jacobians, step)
        if turn < 2:  # blocks that know one direction only follow the others
            pair = _refitted(pair, places, target, found)
            there = pair.mapped(places)
        else:
            there = target
    agrees = (found.correlation > 0.3) & (np.hypot(*(there - pair.mapped(places)).T) < AGREES_PX)
    if agrees.sum() < FEWEST_BLOCKS:
        return None
    share = float(agrees.mean())
    turn_back = np.linalg.inv(jacobians)
    information = np.einsum("nki,nkl,nlj->nij", turn_back, found.information, turn_back)
    fit = _refitted(pair, places[agrees], there[agrees], found.only(agrees))
    return Overlap(
        first, second, fit.matrix, places[agrees], there[agrees], information[agrees],
        float(found.correlation.mean()), share, rivals, telling,
    )  # fmt: skip


def _block_places(pair: _Pair, box: Box) -> Points:
    """Middles of blocks spread over the overlap, wholly within both photos, on structure."""
    left, top, right, bottom = box
    half = BLOCK_PX / 2 + 2
    area = (right - left) * (bottom - top)
    step = max(BLOCK_PX * 0.75, math.sqrt(area / (3 * MOST_BLOCKS)))
    xs, ys = np.arange(left + half, right - half, step), np.arange(top + half, bottom - half, step)
    if not len(xs) or not len(ys):
        return np.empty((0, 2))
    places = np.rint(np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2))
    good = np.ones(len(places), dtype=np.bool_)
    for dx, dy in ((-half, -half), (half, -half), (-half, half), (half, half)):
        corner = places + np.array((dx, dy))
        good &= pair.one.is_valid(corner) & pair.two.is_valid(pair.mapped(corner))
    places = places[good]
    if not len(places):
        return np.asarray(places)
    contrast = np.array([_contrast(pair.one.grey, x, y) for x, y in places.astype(int)])
    floor = max(1.5, 0.25 * float(np.quantile(contrast, 0.9)))
    places, contrast = places[contrast > floor], contrast[contrast > floor]
    if len(places) > MOST_BLOCKS:
        # every n-th of the blocks as they lie keeps them spread
        places = places[np.linspace(0, len(places) - 1, MOST_BLOCKS).astype(int)]
    return np.asarray(places)


def _contrast(grey: Bytes, x: int, y: int) -> float:
    half = BLOCK_PX // 2
    return float(grey[y - half : y + half : 2, x - half : x + half : 2].std())


def _jacobians(pair: _Pair, places: Points) -> Points:
    east = pair.mapped(places + np.array((8, 0))) - pair.mapped(places - np.array((8, 0)))
    south = pair.mapped(places + np.array((0, 8))) - pair.mapped(places - np.array((0, 8)))
    return np.stack([east, south], axis=2) / 16


def _cut(grey: Bytes, places: Points, jacobians: Points) -> FloatImage:
    """Blocks about places, (n, side, side), sampled along the jacobians."""
    out = np.empty((len(places), BLOCK_PX, BLOCK_PX), dtype=np.float32)
    middle = (BLOCK_PX - 1) / 2
    for n, (place, jacobian) in enumerate(zip(places, jacobians, strict=True)):
        corner = place - jacobian @ (middle, middle)
        matrix = np.column_stack([jacobian, corner])
        whole = cv2.warpAffine(
            grey[:0] if grey.size == 0 else grey, matrix, (BLOCK_PX, BLOCK_PX),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT_101,
        )  # fmt: skip
        out[n] = whole
    return out


@dataclass(frozen=True, eq=False)
class _Steps:
    steps: Points
    information: Points
    correlation: Points

    def only(self, which: Mask) -> _Steps:
        return _Steps(self.steps[which], self.information[which], self.correlation[which])


def _steps(one: FloatImage, two: FloatImage) -> _Steps:
    """Steps still missing in each block: one(x) = gain two(x + step) + offset."""
    slope_y = (two[:, 2:, 1:-1] - two[:, :-2, 1:-1]) / 2
    slope_x = (two[:, 1:-1, 2:] - two[:, 1:-1, :-2]) / 2
    f, c = two[:, 1:-1, 1:-1], one[:, 1:-1, 1:-1]
    f, c, gx, gy = (
        (v - v.mean(axis=(1, 2), keepdims=True)).reshape(len(v), -1).astype(np.float64)
        for v in (f, c, slope_x, slope_y)
    )
    design = np.stack([gx, gy, f], axis=2)
    gram = np.einsum("bpi,bpj->bij", design, design, optimize=True)
    gram += (1e-3 + 1e-6 * np.trace(gram, axis1=1, axis2=2))[:, None, None] * np.eye(3)
    solution = np.linalg.solve(gram, np.einsum("bpi,bp->bi", design, c, optimize=True)[..., None])
    solution = solution[..., 0]
    rest = ((c - np.einsum("bpi,bi->bp", design, solution, optimize=True)) ** 2).sum(axis=1)
    count = f.shape[1]
    # a third of a grey step is the least scatter that rounding leaves
    variance = rest / count + 0.1
    gain = np.where(np.abs(solution[:, 2]) > 0.1, solution[:, 2], 0.1)
    steps = solution[:, :2] / gain[:, None]
    # step information with the gain free: what the slopes say beyond it
    inner = gram[:, :2, :2] - np.einsum("bi,bj->bij", gram[:, :2, 2], gram[:, :2, 2]) / gram[
        :, 2, 2, None, None
    ]  # fmt: skip
    information = inner * (gain**2 / variance)[:, None, None]
    power = np.sqrt((c**2).sum(axis=1) * (f**2).sum(axis=1))
    correlation = (c * f).sum(axis=1) / np.maximum(power, 1e-9)
    return _Steps(steps, information, correlation)


def _refitted(pair: _Pair, places: Points, there: Points, found: _Steps) -> _Pair:
    """The pair with a turn and shift that the blocks agree on (Cauchy weights)."""
    here, seen = (
        applied(pair.matrix, pair.one.lens.undistorted(places)),
        pair.two.lens.undistorted(there),
    )
    middle = here.mean(axis=0)
    u, v = (here - middle).T
    one, zero = np.ones_like(u), np.zeros_like(u)
    design = np.stack([np.stack([one, zero, -v], 1), np.stack([zero, one, u], 1)], axis=1)
    known = found.information / np.maximum(
        np.trace(found.information, axis1=1, axis2=2)[:, None, None], 1e-12
    ) * np.clip(found.correlation, 0.02, 1)[:, None, None]  # fmt: skip
    weights = np.ones(len(here))
    change = np.zeros(3)
    for round_number in range(12):
        rest = seen - here - design @ change
        scale = max(0.3, 1.4826 * float(np.median(np.hypot(*rest.T)))) if round_number else 3.0
        weights = 1 / (1 + (rest**2).sum(axis=1) / scale**2)
        w = known * weights[:, None, None]
        normal = np.einsum("bki,bkl,blj->ij", design, w, design)
        right = np.einsum("bki,bkl,bl->i", design, w, seen - here)
        normal += 1e-9 * np.trace(normal) * np.eye(3) + 1e-12 * np.eye(3)
        change = np.linalg.solve(normal, right)
    c, s = math.cos(change[2]), math.sin(change[2])
    local = np.array([[c, -s], [s, c]])
    shift = middle + change[:2] - local @ middle
    return replace(pair, matrix=composed(np.column_stack([local, shift]), pair.matrix))


def whole_shifts(one: Picture, two: Picture, turn: float, most: int = 3) -> list[Points]:
    """Matrices at which two whole tiles, the second turned by `turn` (rad) against the first,
    correlate best: for tiles whose few features do not find each other."""
    c, s = math.cos(turn), math.sin(turn)
    linear = np.array([[c, -s], [s, c]])
    pair = _Pair(one, two, np.column_stack([linear, two.lens.middle - linear @ one.lens.middle]))
    factor = max(one.grey.shape) / WHOLE_PX
    height, width = one.grey.shape
    points = np.stack(
        np.meshgrid(np.arange(0, width, factor), np.arange(0, height, factor)), axis=-1
    )
    a, mask_a = _sampled(one, points, factor)
    b, mask_b = _sampled(two, _mapped_grid(pair, points), factor)
    shape = [fft.next_fast_len(2 * n, real=True) for n in a.shape]
    spectra = [fft.rfft2(v.astype(np.float32), shape) for v in (a, b, mask_a, mask_b, a * a, b * b)]
    fa, fb, ma, mb, aa, bb = spectra

    def crossed(first: npt.NDArray[np.complex64], second: npt.NDArray[np.complex64]) -> FloatImage:
        return np.asarray(
            np.fft.fftshift(fft.irfft2(np.conj(first) * second, shape)), dtype=np.float32
        )

    counts = crossed(ma, mb)
    power = crossed(aa, mb) * crossed(ma, bb)
    enough = counts > LEAST_COMMON * a.size
    value = crossed(fa, fb) / np.sqrt(np.maximum(power, 1e-3))
    # a high correlation of few px is likelier by chance than one of many
    score = np.where(enough, value * np.sqrt(np.clip(counts / a.size, 0, 0.2) / 0.2), -1)
    peaks = _peaks(np.asarray(score, dtype=np.float32))[:most]
    middle = np.array([shape[1] // 2, shape[0] // 2])
    out = []
    for peak in peaks:
        matrix = pair.matrix.copy()
        matrix[:, 2] += linear @ ((peak[:2] - middle) * factor)
        out.append(matrix)
    return out
