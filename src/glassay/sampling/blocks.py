"""What noise looks like inside 8 x 8 blocks: where compression has left it, and whether block
coefficients are tied to each other as enlargement ties them.

JPEG rounds each cosine coefficient of a block by itself. That leaves periodic traces at multiples
of 1/8 cycle per px which look like enlargement by 8/7, 4/3, 8/5, 2, 8/3 or 4, but it cannot tie one
coefficient to another. Enlargement does: with 8 stored px made of 8/s native ones, coefficients
mirrored about the native Nyquist frequency rise and fall together. So for these factors, and only
for these, the decision rests on the signs of pairs of coefficients, compared with the signs that
each kernel, and that native noise of any smoothness, would give.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.imaging.compression import BLOCK
from glassay.imaging.tone import FloatImage

Matrix = npt.NDArray[np.float64]

LIVE_LEVEL = 0.9
"""A coefficient counts as live above this many levels. Coefficients that compression removed come
back as rounding noise of 0.3 levels at most."""

GRID_FACTORS = (4 / 3, 8 / 5, 2.0, 8 / 3, 4.0)
"""Factors from 1.3 to 4 whose mirror falls on a multiple of 1/16 cycles/px. 8/7, whose mirror is
the highest there is, cannot be told from smooth native noise and is not tried."""

ROWS_USED = 4
"""Coefficients of the lowest `ROWS_USED` frequencies across the tested axis: compression leaves
little of the others."""

MOST_PIXELS = 4_000_000
"""About as many pixels of a residual are looked at, in strips spread over it: 60 000 blocks."""

FEWEST_PAIRS = 25
MODEL_ERROR = 0.12
"""Standard deviation allowed between a template's and a measured sign correlation, on top of the
counting error: real kernels and denoising vary. Chosen on simulated pairs; from 0.08 to 0.2 the
decisions stay the same but for one in a hundred."""

GRID_MARGIN = 20.0
"""By how much an enlarged template must fit better (chi-square) than the best native one and than
any other factor. Native pairs, grey and mosaic, denoised or not, JPEG 85 to lossless, stayed below
16."""

GRID_RATIO = 0.65
"""... and by which factor at least, so that of two bad fits neither is an answer."""

WORST_FIT = 4.5
"""Chi-square per pair above which even the best template explains nothing. Mosaics, sharpening and
other libraries' kernels fit 8/5 at up to 4.2; the winner must still beat all others by `GRID_RATIO`.
From 2.5 to 4.5, 67 native pairs and 59 enlarged by other factors (JPEG 85 to 95) kept their answer,
and 5 of 10 pairs enlarged by 8/5 got the right one instead of 1."""

MIMICKED = 4 / 3
"""Not declared from signs where the file may be coarser than `MILD_QUALITY`: JPEG of quality 80 and
less shapes the noise of a native mosaic like enlargement by this factor (misfit 16 to 90 against 40 to
140 for native templates). It still counts as a rival of the other factors, and as not excluded."""

MILD_QUALITY, MILD_MARGIN = 90, 10.0
"""JPEG quality from which that does not happen, and by how much an enlarged template must fit better
there. Of 96 native pairs, mosaics and denoised ones among them, at 90 to 98 none fitted 4/3 or any
other factor better than native; at 80 one of 12 passed for 4/3. Pairs enlarged by 4/3 have native
misfits of 26 to 160 against 6 to 37 at 95, where they tell."""

GAP_SHARE = 0.5
"""Coefficients between rounding noise and a step, as a share of the rarer of those below and above
(or of all, 0.012). JPEG of quality 80 to 92 stays below, lossless pairs above 0.7. Better qualities
can look lossless; for them the file's format is asked."""

CROPPED_GRID_SHARE = 0.08
"""By how much more must be dead on a compression grid that does not start at the photo's corner
than on any other. Enlargement by a ratio of small numbers shifts the share by up to 0.05."""


@dataclass(frozen=True)
class BlockStatistics:
    """Signs and sizes of cosine coefficients of noise, both axes; index [down, across].

    `live` is the share of blocks in which a coefficient is above `LIVE_LEVEL`; `variance` its mean
    square. `agree_x[u, v]` sums the products of signs of coefficients u and v along x, over blocks
    and the lowest rows, `both_x[u, v]` counts them; likewise `_y`. `compressed`: dead coefficients
    line up with the grid at `origin` = (x, y).
    """

    live: Matrix
    variance: Matrix
    agree_x: Matrix
    both_x: Matrix
    agree_y: Matrix
    both_y: Matrix
    compressed: bool
    origin: tuple[int, int]


@dataclass(frozen=True)
class GridVerdict:
    """How well templates explain the signs (chi-square): native ones, and those of each factor."""

    native_misfit: float
    misfits: dict[float, float]
    pairs: int
    is_mild: bool = False
    """Whether compression is known to be too mild to mimic `MIMICKED`."""

    @property
    def factor(self) -> float:
        """The factor that fits best."""
        return min(self.misfits, key=lambda factor: self.misfits[factor])

    @property
    def is_enlarged(self) -> bool:
        """Whether the best factor wins clearly over native noise and over every other factor."""
        own, *others = sorted(self.misfits.values())
        return (
            (self.is_mild or not math.isclose(self.factor, MIMICKED))
            and self.native_misfit - own > (MILD_MARGIN if self.is_mild else GRID_MARGIN)
            and own < GRID_RATIO * min(self.native_misfit, *others)
            and own < WORST_FIT * self.pairs
        )

    def excludes(self, factor: float) -> bool:
        """Whether native noise explains the signs clearly better than this factor does."""
        return self.misfits[factor] - self.native_misfit > GRID_MARGIN / 2


def block_statistics(noise: Sequence[FloatImage], step: float) -> BlockStatistics:
    """Statistics of noise residuals (height, width) in levels; `step` is the distance of levels."""
    origin, compressed = compression_grid(noise[0], step)
    shape = (BLOCK, BLOCK)
    live, variance = np.zeros(shape), np.zeros(shape)
    sums = [np.zeros(shape) for _ in range(4)]
    blocks = 0
    for residual in noise:
        for part in _strips(residual, origin):
            coefficients = _coefficients(part)
            is_live = np.abs(coefficients) > LIVE_LEVEL * step
            signs = np.where(is_live, np.sign(coefficients), 0).astype(np.float32)
            live += is_live.sum(axis=0)
            variance += np.square(coefficients, dtype=np.float64).sum(axis=0)
            for axis, at in ((0, 0), (1, 2)):
                # Blocks with the low frequencies across the tested axis, that axis last.
                chosen = signs[:, :ROWS_USED, :] if axis == 0 else signs[:, :, :ROWS_USED]
                lines = (chosen if axis == 0 else chosen.swapaxes(1, 2)).reshape(-1, BLOCK)
                present = np.abs(lines)
                sums[at] += lines.T @ lines
                sums[at + 1] += present.T @ present
            blocks += coefficients.shape[0]
    return BlockStatistics(
        live / max(blocks, 1), variance / max(blocks, 1),
        sums[0], sums[1], sums[2], sums[3], compressed, origin,
    )  # fmt: skip


def compression_grid(plane: FloatImage, step: float) -> tuple[tuple[int, int], bool]:
    """Origin (x, y) of an 8 px grid on which coefficients are dead, and whether there is one.

    A crop of a compressed photo has its grid elsewhere than at its corner. Without a grid the
    answer is (0, 0), False.
    """
    height, width = plane.shape
    side = 320
    y0, x0 = (max(0, (n - side) // 2) // BLOCK * BLOCK for n in (height, width))
    piece = plane[y0 : y0 + side, x0 : x0 + side]
    dead = np.zeros((BLOCK, BLOCK))
    for y in range(BLOCK):
        for x in range(BLOCK):
            dead[y, x] = _dead_share(piece[y:, x:], step)
    best_y, best_x = (int(i) for i in np.unravel_index(int(np.argmax(dead)), dead.shape))
    second = float(np.sort(dead, axis=None)[-2])
    if float(dead[best_y, best_x]) - second > CROPPED_GRID_SHARE:
        return (best_x, best_y), True
    # On the grid clearly more is dead than off it; noise alone varies by a few thousandths.
    more_is_dead = float(dead[0, 0] - np.median(dead)) > 0.02
    return (0, 0), more_is_dead and _has_gap(piece, step)


def _has_gap(piece: FloatImage, step: float) -> bool:
    """Whether high coefficients are either nothing or a whole step, as compression leaves them.

    Enlargement by a ratio of small numbers makes the share of small coefficients depend on the
    place of the blocks as well, but small ones shade into large ones.
    """
    height, width = (n // BLOCK * BLOCK for n in piece.shape)
    down, across = np.indices((BLOCK, BLOCK))
    sizes = np.abs(_coefficients(piece[:height, :width])[:, (down + across) >= 4]) / step
    nothing, between, whole = (
        float(((sizes >= low) & (sizes < high)).mean())
        for low, high in ((0.0, 0.9), (0.9, 1.8), (1.8, np.inf))
    )
    return between < max(GAP_SHARE * min(nothing, whole), 0.012)


def grid_verdict(
    agree: Matrix, both: Matrix, phases: Sequence[int] = (0,), *, is_mild: bool = False
) -> GridVerdict | None:
    """Enlarged by one of `GRID_FACTORS`, or native? None with too few live pairs to ask.

    `phases` are the possible places, in px, of the block within the native grid's period; `is_mild`
    says that the file is known to be of `MILD_QUALITY` or better.
    """
    pairs = [
        (u, v) for u in range(BLOCK) for v in range(u + 1, BLOCK) if both[u, v] >= FEWEST_PAIRS
    ]
    if len(pairs) < 6:
        return None
    rows, columns = np.array(pairs).T
    count = both[rows, columns]
    measured = agree[rows, columns] / count
    weight = 1 / (1 / count + MODEL_ERROR**2)

    def misfit(correlation: Matrix) -> float:
        # Signs of a Gaussian pair agree with correlation 2/pi asin(rho).
        expected = 2 / np.pi * np.arcsin(np.clip(correlation[rows, columns], -1, 1))
        return float(np.sum(weight * (measured - expected) ** 2))

    native = min(misfit(template) for template in _native_templates())
    misfits = {
        factor: min(misfit(template) for template in templates)
        for factor, templates in _enlarged_templates(tuple(phases)).items()
    }
    return GridVerdict(native, misfits, len(pairs), is_mild)


def _strips(plane: FloatImage, origin: tuple[int, int]) -> Iterator[FloatImage]:
    # A strip at a time: the coefficients of a whole large photo would not fit the cache.
    x, y = origin
    tall = 16 * BLOCK
    plane = plane[y:, x:]
    width = plane.shape[1] // BLOCK * BLOCK
    every = max(1, math.ceil(plane.size / MOST_PIXELS)) * tall
    for top in range(0, plane.shape[0] // BLOCK * BLOCK, every):
        part = plane[top : top + tall, :width]
        yield part[: part.shape[0] // BLOCK * BLOCK]


def _coefficients(part: FloatImage) -> FloatImage:
    """Orthonormal cosine coefficients (blocks, down, across) of a whole number of blocks."""
    height, width = part.shape
    cosines = _cosines().astype(np.float32)
    down = cosines @ np.ascontiguousarray(part).reshape(height // BLOCK, BLOCK, width)
    both = down.reshape(height // BLOCK, BLOCK, width // BLOCK, BLOCK) @ cosines.T
    return np.asarray(both.swapaxes(1, 2).reshape(-1, BLOCK, BLOCK), dtype=np.float32)


def _dead_share(piece: FloatImage, step: float) -> float:
    height, width = (n // BLOCK * BLOCK for n in piece.shape)
    coefficients = _coefficients(piece[:height, :width])
    down, across = np.indices((BLOCK, BLOCK))
    high = (down + across) >= 2
    return float((np.abs(coefficients[:, high]) < 0.6 * step).mean())


@lru_cache(maxsize=1)
def _cosines() -> Matrix:
    return np.asarray(fft.dct(np.eye(BLOCK), axis=0, norm="ortho"), dtype=np.float64)


def _correlation(response: Matrix) -> Matrix:
    """Correlation of block coefficients when 8 px are `response` (8, n) times white noise."""
    covariance = _cosines() @ response @ response.T @ _cosines().T
    spread = np.sqrt(np.maximum(np.diag(covariance), 1e-6))
    return np.asarray(covariance / np.outer(spread, spread))


@lru_cache(maxsize=1)
def _native_templates() -> tuple[Matrix, ...]:
    """Native noise, from white to strongly smoothed (sigma in px)."""
    at, source = np.arange(BLOCK)[:, None], np.arange(-12, 20)[None, :]
    out = [_correlation((at == source).astype(float))]
    for sigma in (0.4, 0.5, 0.6, 0.7, 0.8, 1.0, 1.3, 1.6):
        out.append(_correlation(np.exp(-0.5 * ((at - source) / sigma) ** 2)))
    return tuple(out)


@lru_cache(maxsize=16)
def _enlarged_templates(phases: tuple[int, ...]) -> dict[float, list[Matrix]]:
    """White and slightly smoothed native noise through each kernel, for each `GRID_FACTORS`."""
    source = np.arange(-12, 24)
    smoothings = [np.eye(source.size)]
    for sigma in (0.5, 0.7):
        blur = np.exp(-0.5 * ((source[:, None] - source[None, :]) / sigma) ** 2)
        smoothings.append(blur / blur.sum(axis=1, keepdims=True))
    out: dict[float, list[Matrix]] = {}
    for factor in GRID_FACTORS:
        for phase in phases:
            # Native pixel m lies at (m + 1/2) s - 1/2; some "nearest" take the floor of n / s.
            centred = (np.arange(BLOCK) + phase + 0.5) / factor - 0.5
            floored = np.floor((np.arange(BLOCK) + phase) / factor)
            for kernel, places in (*((k, centred) for k in KERNELS.values()), (_nearest, floored)):
                response = kernel(places[:, None] - source[None, :])
                out.setdefault(factor, []).extend(_correlation(response @ s) for s in smoothings)
    return out


def _nearest(x: Matrix) -> Matrix:
    return np.asarray((x >= -0.5) & (x < 0.5), dtype=np.float64)


def _bilinear(x: Matrix) -> Matrix:
    return np.asarray(np.maximum(1 - np.abs(x), 0))


def _bicubic(x: Matrix) -> Matrix:
    # Keys 1981; libraries use a = -0.5 or -0.75, between which the signs hardly differ.
    a, x = -0.6, np.abs(x)
    inner = (a + 2) * x**3 - (a + 3) * x**2 + 1
    outer = a * (x**3 - 5 * x**2 + 8 * x - 4)
    return np.asarray(np.where(x < 1, inner, np.where(x < 2, outer, 0.0)))


def _lanczos(x: Matrix) -> Matrix:
    return np.asarray(np.where(np.abs(x) < 3, np.sinc(x) * np.sinc(x / 3), 0.0))


KERNELS = {"nearest": _nearest, "bilinear": _bilinear, "bicubic": _bicubic, "lanczos": _lanczos}
