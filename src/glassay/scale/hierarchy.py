"""Which lines of a scale are longer, or heavier, than the others: the sign by which it is known.

Anything may repeat evenly; that every 5th or 10th line reaches further, or is drawn double, is what
people give to scales. It is read beyond the ends of the short lines: line by line and row of pixels
by row it is judged whether a line still stands there, and whether those that do are every 5th.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage

Array = npt.NDArray[Any]
Flags = npt.NDArray[np.bool_]

SAMPLES = 25
"""Samples across a division, of which 0.9 are looked at."""
ROWS, ROWS_PER_DIVISION = 90, 6
"""Most rows looked at beyond either end of the short lines, and along them; rows a division."""
FEWEST_ROWS = 3
"""So many in turn must show the longer lines alone."""
LONGEST_LINE = 1.5
"""How far beyond either end longer lines are looked for, as a share of the short lines' length or of
two divisions, whichever is more: 10th lines reach less far, and one that does is the arm of a cross."""
STANDS, GONE = 0.35, 0.5
"""A longer line keeps at least this share of the common contrast (its far part may be out of focus),
the others at most this share of what the longer ones keep."""
STANDS_BETWEEN = 0.65
"""`STANDS` where gaps were perhaps taken for lines and what stands between is asked: the one rim of a
gap that a longer line is keeps about half of the gap's contrast, a line all of it."""
LEAST_RUN, LEAST_RUN_PX = 0.3, 3.0
"""For so many divisions, and px, longer lines must stand alone."""
FEW_LONGER = 2
LEAST_RUN_OF_FEW = 0.6
"""The same for no more longer lines than these, among which dust and cells may stand."""
HEAVIER = 1.3
"""Heavier lines, thick or of several strokes, hold this much more than the others: two strokes hold
2 of one's where they are resolved, thick lines 1.5 and more."""
AS_WIDE = (0.8, 2.0)
"""What longer lines hold over what the others do, where all stand: 0.98 to 1.01 on 33 drawn and 3 real
scales; heavier tenths of printed rules 1.5 (common practice, no source); posts of drawn fences, so wide
that little ground is left, 0.48 to 0.68."""
FEW_OTHERS = 0.15
"""Share of the other lines that numerals and dust may make look long."""
FEW_LOW = 0.2
"""Share of the longer lines that dust may hide; of four or fewer, none."""
LONGER_EVERY = (5, 10, 2, 4)
"""Tenths and fifths of a decimal scale; halves and quarters of an inch."""
HEAVIER_EVERY = (5, 10, 4)
"""Boundaries of counting chambers and of ruled paper stand at every 4th, 5th or 10th line."""
MULTIPLES = {2: (4,), 4: (8,), 5: (10,), 10: (50, 20)}

HALF_FILLED = (0.35, 0.75)
"""Share of the division that lines fill where lines and gaps may be confused; the samples leave out a
tenth of the gaps."""
LONE_STANDS, LONE_OTHERS = 0.6, 6
"""Where only one longer line fits into the view, it must keep this share of the common contrast, and
so many others be seen to end."""

Kind = Literal["longer", "heavier", "crossed", "lone"]


@dataclass(frozen=True)
class Hierarchy:
    """Which lines are longer: every `every`-th (0 when none stands out), counted from line `first`.

    `longest_every` is the period of the longest among them (10 on a usual slide), 0 if unknown. Of
    `kind` "heavier" they are thicker, or of several strokes, and "crossed" if lines as far apart run
    across them; "lone" is one longer line where the next would be out of view.
    """

    every: int
    first: int
    longest_every: int
    kind: Kind = "longer"

    @property
    def tells_a_scale(self) -> bool:
        """Whether people draw such lines on scales only: fifths, tenths, halves and quarters, or the
        boundaries of a grid."""
        if self.kind != "longer":
            return self.kind == "crossed"
        return self.every in (5, 10) or (self.every, self.longest_every) in ((2, 4), (4, 8))


NO_HIERARCHY = Hierarchy(0, 0, 0)


@dataclass(frozen=True)
class Row:
    """Lines of one row as the reader needs them: their `angle`, `numbers` and `positions` (px along
    the axis from the photo's middle) and the range of t (`core`) that all of them cross."""

    angle: float
    division: float
    numbers: npt.NDArray[np.int64]
    positions: Array
    core: tuple[float, float]


def read_hierarchy(light: FloatImage, mask: npt.NDArray[np.uint8] | None, row: Row) -> Hierarchy:
    """The pattern of longer lines of a `row` in `light` (height, width)."""
    if len(row.numbers) < 5:
        return NO_HIERARCHY
    soft = _softened(light, row.division)
    found, filled = _read(soft, mask, row)
    if found.every or not HALF_FILLED[0] < filled < HALF_FILLED[1]:
        return found
    # Bars as wide as their gaps: what was taken for the lines may be the gaps.
    between = replace(row, positions=row.positions + row.division / 2)
    return _read(soft, mask, between, STANDS_BETWEEN)[0]


def _read(
    soft: FloatImage, mask: npt.NDArray[np.uint8] | None, row: Row, stands: float = STANDS
) -> tuple[Hierarchy, float]:
    """The pattern, and which share of a division the lines fill; longer ones keep at least `stands`
    of the common contrast."""
    within = _profiles(soft, mask, row, _inner(row))
    wave = _median(within, (0, 1))
    if not np.isfinite(wave).all() or not (wave**2).sum() > 0:
        return NO_HIERARCHY, 0.0
    middle = wave[SAMPLES // 2]
    filled = float((np.abs(wave - middle) < np.ptp(wave) / 2).mean())
    step = max(1.0, row.division / ROWS_PER_DIVISION)
    beyond = max(LONGEST_LINE * float(np.ptp(row.core)), LONGEST_LINE * 2 * row.division)
    count = int(np.clip(beyond / step, 8, ROWS))
    away = (np.arange(count) + 0.5) * step
    sides = [
        _amplitudes(_profiles(soft, mask, row, t), wave)
        for t in (row.core[0] - away, row.core[1] + away)
    ]
    for every in LONGER_EVERY:
        first = _longer(sides, row.numbers, every, step, row.division, stands)
        if first is not None and _of_one_width(within, row.numbers, every, first):
            longest = _longest(sides, row.numbers, every, first, step, row.division)
            return Hierarchy(every, first, longest), filled
    first = _lone(sides, row.numbers, step, row.division)
    return (NO_HIERARCHY if first is None else Hierarchy(5, first, 0, "lone")), filled


def read_heavier(light: FloatImage, mask: npt.NDArray[np.uint8] | None, row: Row) -> Hierarchy:
    """The pattern of lines that are thicker than the others, or drawn double or triple."""
    if len(row.numbers) < 5:
        return NO_HIERARCHY
    weight = _weights(_profiles(_softened(light, row.division), mask, row, _inner(row)))
    known = np.isfinite(weight)
    for every in HEAVIER_EVERY:
        for first in range(every):
            member = known & ((row.numbers - first) % every == 0)
            other = known & ~member
            if member.sum() < 2 or other.sum() < every - 1:
                continue
            light_ones = float(np.percentile(weight[other], 100 * (1 - FEW_OTHERS)))
            if weight[member].min() > HEAVIER * light_ones:
                return Hierarchy(every, first, 0, "heavier")
    return NO_HIERARCHY


def _weights(profiles: Array) -> Array:
    """How much each line holds, darker or brighter than the ground beside it; NaN where not known."""
    each = _median(profiles, 0)  # (lines, samples)
    common = _median(each, 0)
    if not np.isfinite(common).all():
        return np.full(len(each), np.nan)
    sign = 1.0 if common.max() + common.min() > 2 * np.median(common) else -1.0
    each = sign * each
    ground = np.percentile(each, 20, axis=1, keepdims=True)
    return np.asarray(np.maximum(each - ground, 0).sum(axis=1))


def _of_one_width(profiles: Array, numbers: npt.NDArray[np.int64], every: int, first: int) -> bool:
    """Whether the longer lines hold as much, beside the others, as these: posts of a fence do not."""
    weight = _weights(profiles)
    longer = (numbers - first) % every == 0
    known = np.isfinite(weight)
    if not (known & longer).any() or not (known & ~longer).any():
        return True
    share = float(np.median(weight[known & longer]) / np.median(weight[known & ~longer]))
    return AS_WIDE[0] < share < AS_WIDE[1]


def _inner(row: Row) -> Array:
    """Places across the axis along the short lines, away from their ends."""
    margin = 0.15 * (row.core[1] - row.core[0])
    length = row.core[1] - row.core[0] - 2 * margin
    count = int(np.clip(length, 5, ROWS))
    return np.linspace(row.core[0] + margin, row.core[1] - margin, count)


def _softened(light: FloatImage, division: float) -> FloatImage:
    """Light averaged over a tenth of a division: lines stay as they are, noise does not."""
    size = int(np.clip(division / 10, 1, 9)) | 1
    return np.asarray(cv2.blur(light, (size, size)), np.float32) if size > 1 else light


def _profiles(
    soft: FloatImage, mask: npt.NDArray[np.uint8] | None, row: Row, across: Array
) -> Array:
    """Light about each line (rows, lines, samples) less its mean and slope; NaN where out of view."""
    height, width = soft.shape
    c, s = math.cos(row.angle), math.sin(row.angle)
    u = (np.arange(SAMPLES) / (SAMPLES - 1) - 0.5) * 0.9 * row.division
    along = (row.positions[:, None] + u[None, :])[None]
    t = across[:, None, None]
    x = (along * c - t * s + (width - 1) / 2).astype(np.float32)
    y = (along * s + t * c + (height - 1) / 2).astype(np.float32)
    shape = x.shape
    flat = (x.reshape(-1, SAMPLES), y.reshape(-1, SAMPLES))
    value = _remapped(soft, *flat).reshape(shape).astype(np.float64)
    seen = ((x >= 1) & (x <= width - 2) & (y >= 1) & (y <= height - 2)).all(axis=2)
    if mask is not None:
        inside = (
            np.rint(np.clip(x, 0, width - 1)).astype(int),
            np.rint(np.clip(y, 0, height - 1)).astype(int),
        )
        seen &= (mask[inside[1], inside[0]] > 0).all(axis=2)
    ramp = np.linspace(-1, 1, SAMPLES)
    value -= value.mean(axis=2, keepdims=True)
    value -= ((value @ ramp) / (ramp**2).sum())[..., None] * ramp
    value[~seen] = np.nan
    return value


def _median(values: Array, axis: int | tuple[int, ...]) -> Array:
    """Median of what is known along `axis`, NaN where nothing is."""
    known = np.isfinite(values).any(axis=axis, keepdims=True)
    middle = np.nanmedian(np.where(known, values, 0.0), axis=axis)
    return np.where(np.squeeze(known, axis), middle, np.nan)


def _remapped(light: Array, x: Array, y: Array) -> Array:
    """`cv2.remap` in pieces: it takes at most 32767 rows at once."""
    pieces = [
        cv2.remap(light, x[k : k + 30_000], y[k : k + 30_000], cv2.INTER_LINEAR)
        for k in range(0, len(x), 30_000)
    ]
    return np.concatenate(pieces)


def _amplitudes(profiles: Array, wave: Array) -> Array:
    """How much of the common waveform stands at each (row, line), NaN where unknown; a line may have
    moved a little, as one that is not quite straight does."""
    best = np.full(profiles.shape[:2], -np.inf)
    for shift in (-2, -1, 0, 1, 2):
        moved = np.roll(wave, shift)
        best = np.maximum(best, profiles @ moved / (moved**2).sum())
    return best


def _longer(
    sides: list[Array], numbers: npt.NDArray[np.int64], every: int, step: float, division: float,
    stands: float,
) -> int | None:  # fmt: skip
    """The first of the lines, `every` so many, that stand alone long enough beyond the others' ends,
    on either side; None when there are none."""
    few, many = (
        max(share * division, LEAST_RUN_PX, FEWEST_ROWS * step)
        for share in (LEAST_RUN_OF_FEW, LEAST_RUN)
    )
    for first in range(every):
        for side in sides:
            member = (numbers - first) % every == 0
            alone = _stand_alone(side, member, max(3, every - 1), stands)
            if (_longest_run(alone > FEW_LONGER) + 0.01) * step >= many or (
                _longest_run(alone > 0) + 0.01
            ) * step >= few:
                return first
    return None


def _longest(
    sides: list[Array], numbers: npt.NDArray[np.int64], every: int, first: int, step: float,
    division: float,
) -> int:  # fmt: skip
    """How many lines apart the longest of the longer lines stand, 0 if they are alike or few."""
    among = (numbers - first) % every == 0
    wanted = max(LEAST_RUN * division, LEAST_RUN_PX)
    for more in MULTIPLES[every]:
        for start in range(first % every, more, every):
            for side in sides:
                member = (numbers[among] - start) % more == 0
                alone = _stand_alone(side[:, among], member, 1)
                if _longest_run(alone > 0) * step >= wanted:
                    return more
    return 0


def _lone(
    sides: list[Array], numbers: npt.NDArray[np.int64], step: float, division: float
) -> int | None:
    """The only longer line where the next, five further, would be out of view; None without one."""
    for first in range(5):
        member = (numbers - first) % 5 == 0
        for side in sides:
            known = np.isfinite(side)
            one = (known & member).sum(axis=1) == 1
            others = np.where(known & ~member, side, -np.inf).max(axis=1)
            stands = np.where(known & member, side, -np.inf).max(axis=1) > LONE_STANDS
            ended = (known & ~member).sum(axis=1) >= LONE_OTHERS
            alone = one & stands & ended & (others < GONE * LONE_STANDS)
            if _longest_run(alone) * step >= max(LEAST_RUN_OF_FEW * division, LEAST_RUN_PX):
                return first
    return None


def _stand_alone(
    amplitude: Array, member: Flags, least: int, stands: float = STANDS
) -> npt.NDArray[np.int64]:
    """How many longer lines (`member`) stand in each row of `amplitude` (rows, lines) where the others
    have ended, 0 where they have not; at least two longer ones and `least` others must be in view."""
    longer, others = amplitude[:, member], amplitude[:, ~member]
    count, rest = (np.isfinite(part).sum(axis=1) for part in (longer, others))
    low = _ranked(longer, count, FEW_LOW, down=True)
    high = _ranked(others, rest, 1 - FEW_OTHERS, down=False)
    alone = (count >= 2) & (rest >= least) & (low > stands) & (high < GONE * low)
    return np.where(alone, count, 0)


def _ranked(values: Array, count: npt.NDArray[np.int64], share: float, down: bool) -> Array:
    """In each row the value below which `share` of the known ones lie, rounded to one of them."""
    if values.shape[1] == 0:
        return np.full(len(values), np.nan)
    at = share * np.maximum(count - 1, 0)
    rank = (np.floor(at) if down else np.ceil(at)).astype(np.int64)
    return np.asarray(np.take_along_axis(np.sort(values, axis=1), rank[:, None], axis=1)[:, 0])


def _longest_run(good: Flags) -> int:
    """Length of the longest run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max(initial=0))
