"""Looking for a ruled scale anywhere in a photo: its direction, its rows, its coarse geometry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.scale.comb import (
    REACH,
    Array,
    Comb,
    Proposal,
    finer_division,
    follow,
    match_cells,
    propose,
    sample_cells,
)
from glassay.scale.orientation import axis_candidates
from glassay.scale.strips import Strips, cut_strips, merge_strips

STRIP_PX = 8
"""Height of the finest strips: well below the length of the shortest line that is measured."""
MERGES = (1, 4, 16)
"""Strips are also averaged by these numbers, for faint and noisy lines."""
WINDOWS = (None, 640, 256)
"""Widths of the windows searched, px (None: the whole strip)."""
TRIES = 10
"""Proposals followed for one direction before it is given up."""
PRESENT_AMPLITUDE = 0.5
"""A line is present in a strip when its contrast is at least this share of the typical one."""


@dataclass(frozen=True)
class Sighting:
    """A row of lines found in a photo, in px from the photo's centre, along and across its axis.

    Line n of `numbers` stands at polyval(`place`, n) along the axis (at t = 0 across it) and runs
    from `begins[n]` to `ends[n]` across it. `core` is the range of t that nearly all lines cross.
    `presence` (strips, lines) is the map behind that, with strip middles at `t_centres`.
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
    presence: npt.NDArray[np.float64]
    t_centres: Array

    @property
    def period(self) -> float:
        """Period in px at the middle of the row."""
        slope = np.polyval(np.polyder(self.place), float(np.median(self.numbers)))
        return float(slope)

    @property
    def merit(self) -> float:
        """How much of a scale it is: lines seen, how alike and how regular they are, their length."""
        length = min((self.core[1] - self.core[0]) / self.period, 3.0)
        regular = max(0.0, 1 - self.jitter / 0.12)
        return float(len(self.numbers) ** 0.5 * self.agreement**2 * regular * length * self.filled)

    def enlarged(self, factor: float) -> Sighting:
        """The same sighting in the px of a photo that is `factor` times larger."""
        return Sighting(
            self.angle, self.place * factor, self.numbers, self.begins * factor,
            self.ends * factor, (self.core[0] * factor, self.core[1] * factor), self.filled,
            self.agreement, self.jitter, self.waveform, self.presence, self.t_centres * factor,
        )  # fmt: skip


def find_rows(
    grey: FloatImage, mask: npt.NDArray[np.uint8] | None, directions: int = 4
) -> list[Sighting]:
    """Rows of evenly spaced lines in `grey` (height, width), best first; empty when there are none.

    `mask` is 0 where the photo shows nothing.
    """
    found: list[Sighting] = []
    for angle in axis_candidates(grey, directions):
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
    levels = [merge_strips(fine, count) if count > 1 else fine for count in MERGES
              if count <= len(fine.rows) or count == 1]  # fmt: skip
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
            tried.append(proposal)
            sighting = _sight(grey, mask, fine, level, proposal)
            if sighting is not None:
                found.append(sighting)
        if found and max(row.merit for row in found) > CONVINCING_MERIT:
            break
    return found


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


def _sight(
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
    sighting = _extent(fine, comb, seed_t)
    if sighting is None:
        return None
    # The direction came from gradients; the lines themselves tell it better. Look again along it.
    if abs(sighting.angle - fine.angle) > np.deg2rad(0.05):
        better = cut_strips(grey, mask, sighting.angle, STRIP_PX)
        again = _again(better, sighting)
        return again or sighting
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
    lo, hi = np.clip(np.round(ends + [-before.period / 2, before.period / 2]), 0, len(row) - 1)
    if hi - lo < 3.5 * before.period:
        return None
    comb = follow(row, valid, Proposal(0, int(lo), int(hi), before.period, 1, 1))
    return None if comb is None else _extent(strips, comb, float(np.mean(before.core)))


def _extent(strips: Strips, comb: Comb, seed_t: float) -> Sighting | None:
    """How far across the axis the lines reach, and their direction from strip to strip."""
    period = comb.period
    numbers = np.arange(comb.numbers.min(), comb.numbers.max() + 1)
    centres = np.polyval(comb.place, numbers)
    cells, whole = sample_cells(
        strips.rows.astype(np.float64), strips.valid, centres, period, REACH
    )
    agreement, offset, amplitude = match_cells(cells, comb.waveform)
    agreement, amplitude = np.where(whole, agreement, 0), np.where(whole, amplitude, 0)
    seed = int(np.argmin(np.abs(strips.t_centres - seed_t)))
    slope = _slant(strips, agreement, offset * period, seed)
    present = (amplitude > PRESENT_AMPLITUDE) & (agreement > 0.4)
    share = present.sum(axis=1) / np.maximum(whole.sum(axis=1), 1)
    lo, hi = _core(share, whole.any(axis=1), seed)
    if hi <= lo:
        return None
    begins, ends = _line_ends(present, whole, lo, hi)
    mid = float(strips.t_centres[lo:hi].mean())
    place = comb.place.copy()
    place[-1] += strips.s0 - slope * mid
    seen_share = comb.filled
    spread = comb.offsets - np.median(comb.offsets)
    return Sighting(
        angle=strips.angle - float(np.arctan(slope)),
        place=place,
        numbers=comb.numbers,
        begins=strips.t0 + begins[comb.numbers - numbers[0]] * strips.height,
        ends=strips.t0 + ends[comb.numbers - numbers[0]] * strips.height,
        core=(strips.t0 + lo * strips.height, strips.t0 + hi * strips.height),
        filled=seen_share,
        agreement=float(np.mean(comb.agreement)),
        jitter=float(np.sqrt(np.mean(spread**2)) / period),
        waveform=comb.waveform,
        presence=np.where(present, amplitude, 0.0),
        t_centres=strips.t_centres,
    )


def _slant(strips: Strips, agreement: Array, offset_px: Array, seed: int) -> float:
    """Drift of the lines along the axis per px across it, from strips around the seed."""
    medians, at, weights = [], [], []
    for j in range(len(agreement)):
        good = agreement[j] > 0.6
        if good.sum() >= 3 and good.mean() > 0.3:
            medians.append(float(np.median(offset_px[j][good])))
            at.append(float(strips.t_centres[j] - strips.t_centres[seed]))
            weights.append(float(np.sqrt(good.sum())))
    if len(at) < 2:
        return 0.0
    x, y, w = np.array(at), np.array(medians), np.array(weights)
    for _ in range(3):
        fit = np.polyfit(x, y, 1, w=w)
        residual = np.abs(y - np.polyval(fit, x))
        keep = residual <= 3 * (np.median(residual) + 0.02)
        if keep.sum() < 2:
            break
        x, y, w = x[keep], y[keep], w[keep]
    return float(fit[0])


def _core(share: Array, covered: npt.NDArray[np.bool_], seed: int) -> tuple[int, int]:
    """Strips lo..hi around the seed in which most lines are present (one strip may be missed)."""
    top = max(share[max(0, seed - 1) : seed + 2].max(), 1e-9)
    enough = (share >= 0.6 * min(1.0, top)) & covered & (share > 0.3)
    if not enough[seed]:
        near = np.flatnonzero(enough[max(0, seed - 2) : seed + 3])
        if not len(near):
            return seed, seed
        seed = max(0, seed - 2) + int(near[0])
    lo = hi = seed
    while lo > 0 and (enough[lo - 1] or (lo > 1 and enough[lo - 2])):
        lo -= 1
    while hi < len(share) - 1 and (enough[hi + 1] or (hi + 2 < len(share) and enough[hi + 2])):
        hi += 1
    return lo, hi + 1


def _line_ends(
    present: npt.NDArray[np.bool_], whole: npt.NDArray[np.bool_], lo: int, hi: int
) -> tuple[Array, Array]:
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
