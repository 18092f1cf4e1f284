"""Is it one period off? The best mapping against every other one that the pictures allow.

Chips repeat themselves: pads, memory cells, whole blocks. A match that is shifted by one period (or
turned by a quarter) then looks nearly as good as the true one. So the finer photo is laid over the
coarser one at every shift and quarter turn, the best other places are refined as carefully as the
match itself, and the match counts only if the photos themselves decide against each of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from glassay.errors import NotMeasurable
from glassay.fitting import block_mean
from glassay.imaging.tone import FloatImage
from glassay.match.blocks import Values
from glassay.match.fit import Blur, fit
from glassay.match.mapping import Mapping, Matrix, outline, similarity
from glassay.match.pictures import (
    Footing,
    Grid,
    Look,
    Mask,
    Pair,
    RoundField,
    Sampler,
    blurred,
    edge_energy,
    edge_light,
)

SURFACE_SIDE_PX = 220
"""Longest side of the finer photo while all shifts are tried; the coarser one may have four times
that."""

LEAST_OVERLAP = 0.2
"""Share of the finer photo (or of the coarser, if smaller) that another place must use."""

RIVALS_FAR, RIVALS_NEAR = 4, 2
"""Other places that are refined and compared: anywhere, and within `FINE_LAG_PX`."""

COMES_CLOSE = 0.5
"""A place is a rival only if the photos correlate there by this share of what they do at the match:
below it, the rough correlation has decided already."""

RIVAL_GRID_PX = 60_000
"""Rivals are refined on no more px than this."""

FINE_LAG_PX = 40
"""Shifts up to this are tried again at full sampling: cells of a memory array are only a few px."""

PX_PER_SAMPLE = 9.0
"""Px that err together: what is left between two aligned photos is correlated over about 3 px."""

DECIDED = 4.0
"""How clearly a rival must be worse, in standard deviations of the log misfit."""

DECIDED_AT_ALL = 7.0
"""How clearly the photos must fit at all, in the same measure. The best of all places that are tried
on unrelated chips stays below 5 unless they really look alike; true matches reach 12 in the hardest
light and 20 to 200 ordinarily."""


Spectrum = npt.NDArray[np.complexfloating]


@dataclass(frozen=True, eq=False)
class Rival:
    """Another place where the photos fit: how far off (px of the coarser photo, deg), and by how
    many standard deviations it is worse."""

    mapping: Mapping
    shift_px: float
    turn_deg: float
    worse_by: float


@dataclass(frozen=True, eq=False)
class Standing:
    """What speaks for a place: `evidence`, by how many standard deviations the photos fit better
    there than unrelated ones would, and the strongest rival (None: no other place comes close)."""

    evidence: float
    rival: Rival | None

    @property
    def clear(self) -> bool:
        """Whether the photos decide for the place."""
        by_itself = self.evidence >= DECIDED_AT_ALL
        return by_itself and (self.rival is None or self.rival.worse_by >= DECIDED)


def standing(pair: Pair, best: Mapping, look: Look) -> Standing:
    """Hold `best` (coarse px to fine px) against the other places that the photos allow."""
    found: list[Rival] = []
    middle = _middle_of_overlap(best)
    stage = _Stage.of(pair, best, look)
    here = stage.log_misfit(best)
    for mapping in _other_places(pair, best, look):
        refined = _refined(pair, mapping, look)
        if refined is None:
            continue
        back = refined.inverse()(best(middle)) - middle
        shift = float(np.hypot(*back[0]))
        turn = refined.rotation_at(middle) - best.rotation_at(middle)
        turn = (turn + 180) % 360 - 180
        if shift < 1.5 and abs(turn) < 20:  # fell back on the match itself
            continue
        found.append(Rival(refined, shift, turn, stage.compare(here, stage.log_misfit(refined))))
    strongest = min(found, key=lambda rival: rival.worse_by, default=None)
    return Standing(stage.compare(here, np.zeros_like(here)), strongest)


def _middle_of_overlap(mapping: Mapping) -> Values:
    rim = mapping.inverse()(outline(mapping.to_shape))
    height, width = mapping.from_shape
    low = np.clip(rim.min(axis=0), 0, (width - 1, height - 1))
    high = np.clip(rim.max(axis=0), 0, (width - 1, height - 1))
    return np.asarray((low + high)[None] / 2)


def _refined(pair: Pair, mapping: Mapping, look: Look) -> Mapping | None:
    footing = Footing.of(pair, mapping, look, RIVAL_GRID_PX)
    if footing is None:
        return None
    try:
        rough = fit(footing, mapping, blur=Blur(1.5), rounds=2).mapping
        fine = fit(footing, rough, blur=Blur(0.7), rounds=2).mapping
    except (NotMeasurable, np.linalg.LinAlgError):
        return None
    rim = outline(mapping.from_shape)
    moved = np.hypot(*(fine(rim) - mapping(rim)).T).max()
    return fine if moved < 0.3 * max(mapping.to_shape) else None


@dataclass(frozen=True, eq=False)
class _Stage:
    """The finer photo on a grid of about the coarser one's px, in blocks, and the coarser photo
    ready to be laid under it by any mapping."""

    grid: Grid
    fine: FloatImage
    coarse: Sampler
    look: Look
    side: int
    fine_seen: Mask
    coarse_field: RoundField | None

    @classmethod
    def of(cls, pair: Pair, best: Mapping, look: Look) -> _Stage:
        scale = best.scale_at(_middle_of_overlap(best))
        height, width = pair.fine.shape
        factor = max(1, round(scale), math.ceil(math.sqrt(height * width / 400_000)))
        grid = Grid(0, 0, factor, (height // factor, width // factor))
        fine = edge_light(pair.fine) if look == "edge light" else pair.fine
        coarse = edge_light(pair.coarse) if look == "coarse edge light" else pair.coarse
        small = block_mean(fine, factor)
        side = int(np.clip(math.sqrt(small.size / 60), 10, 28))
        seen = np.ones(grid.shape, dtype=bool)
        if pair.fine_field is not None:
            seen = pair.fine_field.holds(grid.points()).reshape(grid.shape)
        sampler = Sampler.of(coarse, factor / scale)
        return cls(grid, small, sampler, look, side, seen, pair.coarse_field)

    def log_misfit(self, mapping: Mapping) -> Values:
        """log(1 - r^2) of every block under a mapping; NaN where the photos do not overlap."""
        points = mapping.inverse()(self.grid.points())
        coarse, mask = self.coarse(points, self.grid.shape)
        mask &= self.fine_seen
        if self.coarse_field is not None:
            mask &= self.coarse_field.holds(points).reshape(mask.shape)
        fine = self.fine
        if self.look == "edges":
            coarse, fine = edge_energy(coarse), edge_energy(fine)
        coarse, fine = blurred(coarse, 0.7), blurred(fine, 0.7)
        mask = ndimage.binary_erosion(mask, iterations=2, border_value=1)
        return _log_misfit(coarse, fine, mask, self.side)

    def compare(self, best: Values, other: Values) -> float:
        """By how many standard deviations `other` fits worse than `best`.

        For Gaussian misfits of equal size in n independent samples, n / 2 times the difference of
        the mean log misfit has a standard deviation of at most sqrt(n). Where the two mappings use
        the same blocks these are compared one by one, otherwise their means.
        """
        both = np.isfinite(best) & np.isfinite(other)
        fewest = min(np.isfinite(best).sum(), np.isfinite(other).sum())
        samples = self.side**2 / PX_PER_SAMPLE
        if both.sum() >= max(3, 0.4 * fewest):
            return float((other[both] - best[both]).mean() * math.sqrt(both.sum() * samples) / 2)
        if fewest == 0:
            return math.inf
        return float((np.nanmean(other) - np.nanmean(best)) * math.sqrt(fewest * samples) / 2)


def _log_misfit(coarse: FloatImage, fine: FloatImage, mask: Mask, side: int) -> Values:
    def cut(picture: npt.NDArray[np.generic]) -> Values:
        down, across = picture.shape[0] // side, picture.shape[1] // side
        part = picture[: down * side, : across * side].reshape(down, side, across, side)
        return np.asarray(part.swapaxes(1, 2).reshape(-1, side * side), dtype=np.float64)

    c, f, m = cut(coarse), cut(fine), cut(mask)
    use = m.mean(axis=1) > 0.6
    cover = np.maximum(m.sum(axis=1), 1)
    c = (c - ((c * m).sum(axis=1) / cover)[:, None]) * m
    f = (f - ((f * m).sum(axis=1) / cover)[:, None]) * m
    power = (f**2).sum(axis=1) / cover
    use &= power > 0.02 * np.quantile(power[use], 0.9) if use.any() else use
    r = (c * f).sum(axis=1) / np.sqrt((c**2).sum(axis=1) * (f**2).sum(axis=1) + 1e-24)
    result = np.log(1.0001 - np.clip(r, 0, 1) ** 2)
    return np.where(use, result, np.nan)


def _other_places(pair: Pair, best: Mapping, look: Look) -> Iterator[Mapping]:
    """Mappings shifted, or turned by quarters, to where the photos correlate best otherwise."""
    yield from _places_far(pair, best, look)
    yield from _places_near(pair, best, look)


def _places_near(pair: Pair, best: Mapping, look: Look) -> Iterator[Mapping]:
    footing = Footing.of(pair, best, look, 250_000)
    if footing is None:
        return
    coarse, fine, mask = footing.seen(best)
    one = _Transformed.of(_detail(coarse), mask, mask.shape)
    surface = one.correlation(_detail(fine), mask, LEAST_OVERLAP)
    height, width = mask.shape
    reach = min(FINE_LAG_PX, height - 1, width - 1)
    part = surface[height - 1 - reach : height + reach, width - 1 - reach : width + reach]
    own = float(part[reach - 2 : reach + 3, reach - 2 : reach + 3].max())
    for y, x, _ in _peaks(part, 2, RIVALS_NEAR, COMES_CLOSE * own, skip=(reach, reach)):
        shift = np.array([x - reach, y - reach]) * footing.grid.factor
        # the fine picture moved by +shift on the grid: coarse px p shows what p - shift showed
        yield best.with_matrix(best.matrix @ similarity(1, 0, -shift))


def _places_far(pair: Pair, best: Mapping, look: Look) -> Iterator[Mapping]:
    fine, laid, mask, low, factor = _laid_under(pair, best, look)
    if min(fine.shape) < 8:
        return
    longest = max(fine.shape)
    one = _Transformed.of(_detail(laid), mask, (longest, longest))
    share = LEAST_OVERLAP * min(1.0, mask.sum() / fine.size)
    fine = _detail(fine)
    found = []
    own = 0.0
    for quarter in range(4):
        turned = np.ascontiguousarray(np.rot90(fine, quarter))
        surface = one.correlation(turned, np.ones(turned.shape, dtype=bool), share)
        origin = (turned.shape[0] - 1 - int(low[1]), turned.shape[1] - 1 - int(low[0]))
        if quarter == 0:
            y, x = origin
            own = float(surface[max(0, y - 2) : y + 3, max(0, x - 2) : x + 3].max(initial=0))
        skip = origin if quarter == 0 else None
        for y, x, value in _peaks(surface, 2, RIVALS_FAR, COMES_CLOSE * own, skip):
            found.append((value, quarter, (x - origin[1]) * factor, (y - origin[0]) * factor))
    found.sort(key=lambda one: -one[0])
    for _, quarter, x, y in found[:RIVALS_FAR]:
        back = _unturned(quarter, pair.fine.shape, factor) @ similarity(1, 0, (-x, -y))
        yield best.with_matrix(back @ best.matrix)


def _laid_under(
    pair: Pair, best: Mapping, look: Look
) -> tuple[FloatImage, FloatImage, Mask, Values, int]:
    """The finer photo reduced, and all of the coarser one laid under it on the same grid: its
    picture, where it reaches, its first (column, row), and the reduction."""
    scale = best.scale_at(_middle_of_overlap(best))
    factor = max(1, round(scale), math.ceil(max(pair.fine.shape) / SURFACE_SIDE_PX))
    while max(pair.coarse.shape) * scale / factor > 4 * SURFACE_SIDE_PX:
        factor += 1
    fine = block_mean(edge_light(pair.fine) if look == "edge light" else pair.fine, factor)
    rim = (best(outline(pair.coarse.shape)) - (factor - 1) / 2) / factor
    limit = 6 * SURFACE_SIDE_PX  # a strongly tilted view would reach to the horizon
    low = np.clip(np.floor(rim.min(axis=0)), -limit, limit).astype(int)
    high = np.clip(np.ceil(rim.max(axis=0)), low + 8, limit + 8).astype(int)
    canvas = Grid(
        int(low[0]) * factor, int(low[1]) * factor, factor,
        (int(high[1] - low[1]), int(high[0] - low[0])),
    )  # fmt: skip
    coarse = edge_light(pair.coarse) if look == "coarse edge light" else pair.coarse
    sampler = Sampler.of(coarse, factor / scale)
    laid, mask = sampler(best.inverse()(canvas.points()), canvas.shape)
    if look == "edges":
        laid, fine = edge_energy(laid), edge_energy(fine)
    return fine, laid, ndimage.binary_erosion(mask, iterations=2), low, factor


def _unturned(quarter: int, shape: tuple[int, int], factor: int) -> Matrix:
    """From px of the finer photo turned by `np.rot90(quarter)` to px of it as it is."""
    height, width = (side // factor * factor for side in shape)
    matrix = np.eye(3)
    for _ in range(quarter):
        # rot90 once: turned[row, column] = photo[column, width - 1 - row]
        matrix = matrix @ np.array([[0.0, -1, width - 1], [1, 0, 0], [0, 0, 1]])
        height, width = width, height
    return matrix


def _detail(picture: FloatImage) -> FloatImage:
    detail = blurred(picture, 0.7) - blurred(picture, 8.0)
    spread = np.sqrt(blurred(detail**2, 12.0))
    return np.asarray(detail / (spread + 0.2 * spread.mean() + 1e-9), dtype=np.float32)


@dataclass(frozen=True, eq=False)
class _Transformed:
    """A picture under a mask, transformed once for correlation with several others."""

    picture: Spectrum
    squared: Spectrum
    mask: Spectrum
    shape: tuple[int, int]
    room: tuple[int, int]

    @classmethod
    def of(cls, picture: FloatImage, mask: Mask, largest: tuple[int, int]) -> _Transformed:
        """Ready for partners of at most the shape `largest`."""
        across, down = (
            int(fft.next_fast_len(a + b - 1, real=True))
            for a, b in zip(picture.shape, largest, strict=True)
        )
        room = (across, down)
        masked = picture * mask
        spectra = [_spectrum(p, room) for p in (masked, masked**2, mask)]
        return cls(spectra[0], spectra[1], spectra[2], (mask.shape[0], mask.shape[1]), room)

    def correlation(self, other: FloatImage, mask: Mask, least: float) -> FloatImage:
        """Normalised correlation at every shift over what both masks cover (Padfield 2012).

        Element [h - 1 + dy, w - 1 + dx] belongs to `other` (h, w) laid with its corner at (dx, dy).
        -1 where fewer than `least` of the other's px overlap.
        """
        full = tuple(a + b - 1 for a, b in zip(self.shape, other.shape, strict=True))
        masked = (other * mask)[::-1, ::-1]
        picture, squared, where = (
            _spectrum(p, self.room) for p in (masked, masked**2, mask[::-1, ::-1])
        )

        def product(a: Spectrum, b: Spectrum) -> FloatImage:
            return np.asarray(fft.irfft2(a * b, s=self.room)[: full[0], : full[1]])

        count = np.maximum(product(self.mask, where), 1)
        sum_one, sum_other = product(self.picture, where), product(self.mask, picture)
        cross = product(self.picture, picture) - sum_one * sum_other / count
        floor = 0.02 * count * float((masked**2).mean() + 1e-12)
        power_one = np.maximum(product(self.squared, where) - sum_one**2 / count, 0) + floor
        power_other = np.maximum(product(self.mask, squared) - sum_other**2 / count, 0) + floor
        result = cross / np.sqrt(power_one * power_other)
        result[count < least * mask.sum()] = -1
        return np.asarray(result, dtype=np.float32)


def _spectrum(picture: npt.NDArray[np.generic], room: tuple[int, int]) -> Spectrum:
    return np.asarray(fft.rfft2(picture.astype(np.float32), s=room))


def _peaks(
    surface: FloatImage, radius: int, count: int, least: float, skip: tuple[int, int] | None
) -> list[tuple[int, int, float]]:
    """The highest local maxima above `least` as (row, column, value), without the one at `skip`."""
    size = 2 * radius + 1
    top = ndimage.maximum_filter(surface, size=size, mode="constant", cval=-1)
    rows, columns = np.nonzero((surface == top) & (surface > max(least, 0.05)))
    order = np.argsort(-surface[rows, columns])
    found = []
    for k in order:
        y, x = int(rows[k]), int(columns[k])
        if skip is not None and math.hypot(y - skip[0], x - skip[1]) <= radius + 1:
            continue
        found.append((y, x, float(surface[y, x])))
        if len(found) == count:
            break
    return found
