"""Looking for a ruled scale anywhere in a photo: its direction, its rows, its coarse geometry."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from glassay.fitting import block_mean, scatter, vertex
from glassay.imaging.tone import FloatImage
from glassay.scale.comb import (
    CELL,
    REACH,
    Array,
    Comb,
    Proposal,
    finer_division,
    follow,
    propose,
    sample_cells,
    shifted_amplitudes,
)
from glassay.scale.orientation import axis_candidates
from glassay.scale.strips import Strips, cut_strips, merge_strips

SEARCH_PIXELS = 3_500_000
"""The search runs on a copy of at most this size first, and on more only if it finds nothing."""

STRIP_PX = 8
"""Height of the finest strips: well below the length of the shortest line that is measured."""
MERGES = (1, 4, 16)
"""Strips are also averaged by these numbers, for faint and noisy lines."""
WINDOWS = (None, 640, 256)
"""Widths of the windows searched, px (None: the whole strip)."""
TRIES = 10
"""Proposals followed for one direction before it is given up."""
CORE_SHARE = 0.6
"""A strip belongs to the core when its lines together reach this share of the strongest response:
above what is left where only every 5th and 10th line reaches (0.2) or half of the lines (0.5)."""
PRESENT_AMPLITUDE = 0.5
"""A line is present in a strip when its contrast is at least this share of the typical one."""


@dataclass(frozen=True)
class Sighting:
    """A row of lines found in a photo, in px from the photo's centre, along and across its axis.

    Line n of `numbers` stands at polyval(`place`, n) along the axis (at t = 0 across it) and runs
    from `begins[n]` to `ends[n]` across it. `core` is the range of t that nearly all lines cross.
    """

    angle: float
    place: Array
    numbers: npt.NDArray[np.int64]
    begins: Array
    ends: Array
    core: tuple[float, float]
    filled: float
    agreement: float
    jitter: float
    waveform: Array

    @cached_property
    def period(self) -> float:
        """Period in px at the middle of the row."""
        slope = np.polyval(np.polyder(self.place), float(np.median(self.numbers)))
        return float(slope)

    @cached_property
    def merit(self) -> float:
        """How much of a scale it is: how many lines, how alike, how regular and how long."""
        length = min((self.core[1] - self.core[0]) / self.period, 3.0)
        regular = max(0.0, 1 - self.jitter / 0.12)
        return float(len(self.numbers) ** 0.5 * self.agreement**2 * regular * length * self.filled)

    def enlarged(self, factor: float) -> Sighting:
        """The same sighting in the px of a photo that is `factor` times larger."""
        return Sighting(
            self.angle, self.place * factor, self.numbers, self.begins * factor,
            self.ends * factor, (self.core[0] * factor, self.core[1] * factor), self.filled,
            self.agreement, self.jitter, self.waveform,
        )  # fmt: skip


def find_rows(
    grey: FloatImage, mask: npt.NDArray[np.uint8] | None, directions: int = 4
) -> list[Sighting]:
    """Rows of evenly spaced lines in `grey` (height, width), best first; empty when there are none.

    `mask` is 0 where the photo shows nothing.
    """
    found: list[Sighting] = []
    for angle in axis_candidates(grey, mask, directions):
        found += rows_along(grey, mask, angle)
        if found and max(row.merit for row in found) > CONVINCING_MERIT:
            break
    return sorted(found, key=lambda row: -row.merit)


CONVINCING_MERIT = 6.0
"""A row of this merit ends the search: clean scales of ten lines and more have 6 to 30."""


def rows_along(
    grey: FloatImage, mask: npt.NDArray[np.uint8] | None, angle: float
) -> list[Sighting]:
    """Rows of lines whose axis lies within a few degrees of `angle` (radians)."""
    fine = cut_strips(grey, mask, angle, STRIP_PX)
    levels = merged(fine)
    found: list[Sighting] = []
    for window in WINDOWS:
        if window is not None and window >= fine.rows.shape[1]:
            continue
        ranked = sorted(
            ((p, level) for level in levels for p in propose(level, window)),
            key=lambda pair: -pair[0].strength,
        )
        tried: list[Proposal] = []
        for proposal, level in ranked:
            if len(tried) >= TRIES:
                break
            if _explained(proposal, level, found) or _alike(proposal, tried):
                continue
            if found and not _may_be_better(proposal, found):
                continue
            tried.append(proposal)
            sighting = sight(grey, mask, fine, level, proposal)
            if sighting is not None:
                found.append(sighting)
        if found and max(row.merit for row in found) > CONVINCING_MERIT:
            break
    return found


def merged(fine: Strips) -> list[Strips]:
    """The finest strips and those averaged by `MERGES`, as far as there are so many."""
    return [merge_strips(fine, count) if count > 1 else fine for count in MERGES
            if count <= len(fine.rows) or count == 1]  # fmt: skip


def reduced(
    light: FloatImage, mask: npt.NDArray[np.uint8] | None, factor: int
) -> tuple[FloatImage, npt.NDArray[np.uint8] | None]:
    """A photo and its mask made smaller by a whole factor, to be searched."""
    small = block_mean(light, factor)
    if mask is not None:
        mask = mask[::factor, ::factor][: small.shape[0], : small.shape[1]]
    return small, mask


def _may_be_better(proposal: Proposal, found: list[Sighting]) -> bool:
    """Once a row is convincing, only a finer one can change the answer."""
    best = max(found, key=lambda row: row.merit)
    return best.merit <= CONVINCING_MERIT or proposal.period < 0.6 * best.period


def _explained(proposal: Proposal, level: Strips, found: list[Sighting]) -> bool:
    t = level.t_centres[proposal.strip]
    for row in found:
        ratio = proposal.period / row.period
        near = row.core[0] - level.height <= t <= row.core[1] + level.height
        if near and ratio > 0.9 and abs(ratio - round(ratio)) < 0.05 * ratio:
            return True
    return False


def _alike(proposal: Proposal, tried: list[Proposal]) -> bool:
    """Whether much the same has been followed already."""
    return any(
        abs(other.period / proposal.period - 1) < 0.03
        and other.lo < proposal.hi
        and proposal.lo < other.hi
        and abs(other.strip - proposal.strip) <= 1
        for other in tried
    )


def sight(
    grey: FloatImage, mask: npt.NDArray[np.uint8] | None, fine: Strips, level: Strips,
    proposal: Proposal,
) -> Sighting | None:  # fmt: skip
    row = level.rows[proposal.strip].astype(np.float64)
    valid = level.valid[proposal.strip]
    comb = follow(row, valid, proposal)
    if comb is None:
        return None
    parts = finer_division(comb.waveform)
    if parts > 1 and comb.period / parts >= 2.5:
        finer = Proposal(proposal.strip, proposal.lo, proposal.hi, comb.period / parts, 1, 1)
        comb = follow(row, valid, finer) or comb
    seed_t = float(level.t_centres[proposal.strip])
    sighting = _extent(fine, comb, seed_t, level.height)
    if sighting is None:
        return None
    # The direction came from gradients; the lines themselves tell it better. Look again along it.
    angle = fine.angle
    for _ in range(3):
        length = sighting.core[1] - sighting.core[0]
        if abs(sighting.angle - angle) * max(length, 100.0) < 0.05 * sighting.period:
            break
        angle = sighting.angle
        again = _again(cut_strips(grey, mask, angle, STRIP_PX), sighting)
        if again is None:
            break
        sighting = again
    return sighting


def _again(strips: Strips, before: Sighting) -> Sighting | None:
    """Follow the same row once more in strips cut along its own direction."""
    inside = (strips.t_centres > before.core[0]) & (strips.t_centres < before.core[1])
    if not inside.any():
        inside[int(np.argmin(np.abs(strips.t_centres - np.mean(before.core))))] = True
    weight = strips.valid[inside].astype(np.float64)
    row = (strips.rows[inside] * weight).sum(axis=0) / np.maximum(weight.sum(axis=0), 1)
    valid = weight.mean(axis=0) > 0.5
    ends = np.polyval(before.place, [before.numbers.min(), before.numbers.max()]) - strips.s0
    half = before.period / 2
    lo, hi = np.clip(np.round([ends[0] - half, ends[1] + half]), 0, len(row) - 1)
    if hi - lo < 3.5 * before.period:
        return None
    comb = follow(row, valid, Proposal(0, int(lo), int(hi), before.period, 1, 1))
    return (
        None
        if comb is None
        else _extent(strips, comb, float(np.mean(before.core)), float(np.ptp(before.core)))
    )


def _extent(strips: Strips, comb: Comb, seed_t: float, seed_height: float) -> Sighting | None:
    """How far across the axis the lines reach, and their direction from strip to strip.

    The comb was followed in a strip of `seed_height` px about `seed_t`, which the lines may fill in
    part.
    """
    period = comb.period
    numbers = np.arange(comb.numbers.min(), comb.numbers.max() + 1)
    centres = np.polyval(comb.place, numbers)
    cells, whole = sample_cells(
        strips.rows.astype(np.float64), strips.valid, centres, period, REACH
    )
    response = shifted_amplitudes(cells, comb.waveform)
    response = np.where(whole[:, :, None], response, 0.0)
    seed = int(np.argmin(np.abs(strips.t_centres - seed_t)))
    covered = whole.sum(axis=1)
    mean = response.sum(axis=1) / np.maximum(covered, 1)[:, None]
    distance = strips.t_centres - strips.t_centres[seed]
    slope = _slant(mean, covered, distance, period, seed)
    amplitude = _along_slant(response, slope * distance / period)
    share = amplitude.sum(axis=1) / np.maximum(covered, 1)
    reach = max(2, math.ceil(seed_height / strips.height / 2))
    lo, hi = _core(share, covered > 0.3 * covered.max(), seed, reach)
    if hi <= lo:
        return None
    level = float(np.median(share[lo:hi]))
    if level <= 0:
        return None
    amplitude = amplitude / level
    present = _present(amplitude, whole, lo, hi)
    begins, ends = _line_ends(present, lo, hi)
    place = comb.place.copy()
    place[-1] += strips.s0 - slope * float(strips.t_centres[seed])
    spread = comb.offsets - np.median(comb.offsets)
    chosen = comb.numbers - numbers[0]
    return Sighting(
        angle=strips.angle - float(np.arctan(slope)),
        place=place,
        numbers=comb.numbers,
        begins=strips.t0 + begins[chosen] * strips.height,
        ends=strips.t0 + ends[chosen] * strips.height,
        core=(strips.t0 + lo * strips.height, strips.t0 + hi * strips.height),
        filled=comb.filled,
        agreement=float(np.mean(comb.agreement)),
        jitter=float(np.sqrt(np.mean(spread**2)) / period),
        waveform=comb.waveform,
    )


def _slant(
    mean: Array, covered: npt.NDArray[np.int64], distance: Array, period: float, seed: int
) -> float:
    """Drift of the lines along the axis per px across it.

    `mean` (strips, shifts) is the response of each strip to the waveform, averaged over its lines.
    The slope that gathers most response from the strips around the seed is taken, first from near
    ones, then from further away.
    """
    slope, step = 0.0, 0.01
    for reach in (2.0, 5.0, 20.0):
        near = (np.abs(distance) <= max(3.0 * STRIP_PX, reach * period)) & (covered > 2)
        if near.sum() < 2:
            continue
        spread = 0.25 if reach == 2.0 else 8 * step
        trial = slope + np.linspace(-spread, spread, 51)
        shift = trial[:, None] * distance[near][None, :] / period
        gathered = np.maximum(_interpolated(mean[near], shift), 0).sum(axis=1)
        best = int(np.argmax(gathered))
        step = 2 * spread / 50
        slope = float(trial[best])
        if 0 < best < 50:
            slope += step * vertex(*(float(value) for value in gathered[best - 1 : best + 2]))
    return slope


def _interpolated(mean: Array, shift: Array) -> Array:
    """`mean` (strips, shifts) at `shift` (trials, strips) divisions; 0 beyond its reach."""
    at = shift * CELL + REACH
    left = np.floor(at).astype(np.int64)
    inside = (left >= 0) & (left + 1 < mean.shape[1])
    left = np.clip(left, 0, mean.shape[1] - 2)
    part = at - left
    rows = np.arange(len(mean))[None, :]
    value = mean[rows, left] * (1 - part) + mean[rows, left + 1] * part
    return np.asarray(np.where(inside, value, 0.0))


def _along_slant(response: Array, shift: Array) -> Array:
    """Amplitude (strips, lines) of each line where the slant expects it."""
    at = shift * CELL + REACH
    left = np.floor(at).astype(np.int64)
    inside = (left >= 0) & (left + 1 < response.shape[2])
    left = np.clip(left, 0, response.shape[2] - 2)
    part = (at - left)[:, None]
    rows = np.arange(len(response))
    value = response[rows, :, left] * (1 - part) + response[rows, :, left + 1] * part
    return np.asarray(np.where(inside[:, None], value, 0.0))


def _core(share: Array, covered: npt.NDArray[np.bool_], seed: int, reach: int) -> tuple[int, int]:
    """Strips lo..hi around the seed in which most lines are present (one strip may be missed)."""
    usable = np.where(covered, share, 0.0)
    near = slice(max(0, seed - reach), seed + reach + 1)
    seed = near.start + int(np.argmax(usable[near]))
    if usable[seed] <= 0:
        return seed, seed
    # The seed may lie where only the longest lines reach: climb to where most lines are.
    first, last = _run_around(usable > 0.5 * usable[seed], seed)
    seed = first + int(np.argmax(usable[first:last]))
    smooth = np.convolve(np.pad(usable, 1, mode="edge"), np.ones(3) / 3, mode="valid")
    enough = usable >= CORE_SHARE * float(max(smooth[seed], 0.8 * usable[seed]))
    lo = hi = seed
    while lo > 0 and (enough[lo - 1] or (lo > 1 and enough[lo - 2])):
        lo -= 1
    while hi < len(share) - 1 and (enough[hi + 1] or (hi + 2 < len(share) and enough[hi + 2])):
        hi += 1
    # A step over one missed strip must end on one that is not missed.
    while not enough[lo]:
        lo += 1
    while not enough[hi]:
        hi -= 1
    return lo, hi + 1


def _run_around(good: npt.NDArray[np.bool_], seed: int) -> tuple[int, int]:
    """The unbroken run first..last of good strips that holds the seed (which is good)."""
    bad = np.flatnonzero(~good)
    before, after = bad[bad < seed], bad[bad > seed]
    return (int(before[-1]) + 1 if len(before) else 0), (int(after[0]) if len(after) else len(good))


def _present(
    amplitude: Array, whole: npt.NDArray[np.bool_], lo: int, hi: int
) -> npt.NDArray[np.bool_]:
    """Where single lines are present, beyond the core too, if noise allows it to be told."""
    outside = np.concatenate([amplitude[: max(0, lo - 1)], amplitude[hi + 1 :]])
    seen = np.concatenate([whole[: max(0, lo - 1)], whole[hi + 1 :]])
    noise = scatter(outside[seen]) if seen.any() else 0.0
    present = (amplitude > PRESENT_AMPLITUDE) & whole
    if noise > 0.25 * PRESENT_AMPLITUDE:
        present[:lo] = False
        present[hi:] = False
    return present


def _line_ends(present: npt.NDArray[np.bool_], lo: int, hi: int) -> tuple[Array, Array]:
    """First and last+1 strip of each line: its unbroken run around the core."""
    count = present.shape[1]
    begins, ends = np.full(count, float(lo)), np.full(count, float(hi))
    for n in range(count):
        first = lo
        while first > 0 and (present[first - 1, n] or (first > 1 and present[first - 2, n])):
            first -= 1
        last = hi
        while last < len(present) and (
            present[last, n] or (last + 1 < len(present) and present[last + 1, n])
        ):
            last += 1
        begins[n], ends[n] = first, last
    return begins, ends
