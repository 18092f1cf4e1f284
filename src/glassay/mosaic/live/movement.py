"""By how much the picture moved between two frames, and whether another movement is as good.

Correlation over all shifts, normalised by what the two frames have in common at each (Padfield 2012,
for detail of mean zero). Where rows, cells or pads repeat, a shift that is wrong by a step of theirs
correlates nearly as well; where the hand moves fast and blurs the frames, even better. Then the
movement may still show by what occurs once: phase correlation (Kuglin and Hines 1975) gives all
frequencies the same weight, and those of a pattern are few.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft

from glassay.fitting import vertex
from glassay.mosaic.live.picture import Floats, View

REACH = 0.75
"""Largest movement looked for, in views each way."""
ALONE = 0.85
"""A movement stands alone if all that correlate by this part of the best lie around it."""
PHASE_ALONE = 0.6
"""As `ALONE`, of the phase correlation: it has the noise of all frequencies, and sharper tops."""
AGREES_PX = 3.0
AROUND_PX = 6
"""Half a side of what lies around it: wide structure correlates with itself so far. Within, a rival is
a top of its own."""
FAINT = 0.15
"""Correlation below which the best is chance: true places of a blurred frame reach twice that."""
AS_GOOD = 0.95
"""Rest is the likeliest movement if it is so good: in cells that repeat, noise decides what is best."""
LEAST_COMPARABLE = 0.1
"""Share of a frame's blocks; where all is fine rows, it is still seen whether the picture rests."""
PLAIN = 0.005
"""Energy of detail, over that of a frame full of it, below which what is in common says nothing."""

Spectrum = npt.NDArray[np.complex64]


@dataclass(frozen=True, slots=True)
class Movement:
    """The picture moved by (x, y) working px to the right and down; `height` is its correlation and
    `rival` the highest of any shift that does not lie around it. `phase_rival`: the same for the phase
    correlation, over its height there; 1 where that is highest elsewhere, or was not needed."""

    x: float
    y: float
    height: float
    rival: float
    phase_rival: float = 1.0

    def stands_alone(self, alone: float = ALONE) -> bool:
        """Whether no other movement is nearly as good."""
        is_alone = self.rival < alone * self.height or self.phase_rival < PHASE_ALONE
        return self.height > FAINT and is_alone

    def common(self, shape: tuple[int, int]) -> float:
        """Share of frames of `shape` (height, width) that both show."""
        return max(0.0, 1 - abs(self.x) / shape[1]) * max(0.0, 1 - abs(self.y) / shape[0])


class Seen:
    """A frame as it is compared with the next: spectrum and sums of its detail, where that can be
    compared at a place told to a px. Rows finer than that correlate anywhere along them."""

    def __init__(self, view: View) -> None:
        plenty = view.comparable.mean() >= LEAST_COMPARABLE
        detail = view.detail * view.weight if plenty else view.detail
        self.shape: tuple[int, int] = (detail.shape[0], detail.shape[1])
        self.reach = (int(REACH * self.shape[0]), int(REACH * self.shape[1]))
        self.padded = [
            fft.next_fast_len(n + far, real=True)
            for n, far in zip(self.shape, self.reach, strict=True)
        ]
        self.spectrum: Spectrum = np.asarray(fft.rfft2(detail, self.padded), np.complex64)
        sums = cv2.integral(detail * detail)
        self.energy = self._energies(np.asarray(sums, np.float32))

    def _energies(self, sums: Floats) -> Floats:
        """Energy of the part that a frame moved by each shift, from -reach to +reach, has in common."""
        height, width = self.shape
        down, across = (np.arange(-far, far + 1) for far in self.reach)
        y0, y1 = np.maximum(0, -down), np.minimum(height, height - down)
        x0, x1 = np.maximum(0, -across), np.minimum(width, width - across)
        rows = sums[y1] - sums[y0]
        return np.maximum(rows[:, x1] - rows[:, x0], np.float32(0))  # rounded, it may be below


def movement(last: Seen, seen: Seen) -> Movement:
    """The best movement from `last` to `seen`, frames of one size."""
    product = np.conj(last.spectrum) * seen.spectrum
    sums = _over_shifts(product, last)
    down, across = last.reach
    # moved by a shift, the last one's part and this one's mirror each other
    energy = np.sqrt(last.energy) * np.sqrt(seen.energy[::-1, ::-1])
    least = np.float32(PLAIN * last.shape[0] * last.shape[1])
    found = sums / np.maximum(energy, least)
    row, column = np.unravel_index(int(np.argmax(found)), found.shape)
    still = found[down - 1 : down + 2, across - 1 : across + 2]
    if still.max() >= AS_GOOD * found[row, column]:
        row, column = np.unravel_index(int(np.argmax(still)), still.shape)
        row, column = row + down - 1, column + across - 1
    height = float(found[row, column])
    x, y = _top(found[row], int(column)), _top(found[:, column], int(row))
    rival = _highest_beside(found, int(row), int(column))
    best = Movement(x - across, y - down, height, rival)
    if best.stands_alone() or np.hypot(best.x, best.y) <= AROUND_PX:  # the frames' borders rest
        return best
    return replace(best, phase_rival=_phase_rival(product, last, best))


def _over_shifts(product: Spectrum, seen: Seen) -> Floats:
    """What belongs to a product of spectra, for shifts from -reach to +reach."""
    down, across = seen.reach
    sums = np.asarray(fft.irfft2(product, seen.padded), np.float32)
    sums = np.concatenate([sums[-down:], sums[: down + 1]])
    return np.concatenate([sums[:, -across:], sums[:, : across + 1]], axis=1)


def _phase_rival(product: Spectrum, seen: Seen, best: Movement) -> float:
    size = np.abs(product)
    white = _over_shifts(product / np.maximum(size, np.float32(1e-3) * size.mean() + 1e-12), seen)
    found = np.asarray(cv2.GaussianBlur(white, (0, 0), 1.0), np.float32)
    row, column = (int(n) for n in np.unravel_index(int(np.argmax(found)), found.shape))
    x, y = column - seen.reach[1], row - seen.reach[0]
    height = float(found[row, column])
    if np.hypot(x - best.x, y - best.y) > AGREES_PX or height <= 0:
        return 1.0
    return _highest_beside(found, row, column) / height


def _highest_beside(found: Floats, row: int, column: int) -> float:
    """The highest of all shifts, of those around (row, column) only if it is a top of its own."""
    rows = slice(max(0, row - AROUND_PX), row + AROUND_PX + 1)
    columns = slice(max(0, column - AROUND_PX), column + AROUND_PX + 1)
    rival = _second_top(found[rows, columns])
    found[rows, columns] = -1
    return max(rival, float(found.max()))


def _second_top(around: Floats) -> float:
    """The highest top beside the highest one."""
    tops = around[around >= cv2.dilate(around, np.ones((3, 3), np.uint8))]
    return float(np.sort(tops)[-2]) if len(tops) > 1 else -1.0


def _top(values: Floats, at: int) -> float:
    """Where a parabola through a highest value and its two neighbours has its top."""
    if not 0 < at < len(values) - 1:
        return float(at)
    return at + vertex(*(float(values[n]) for n in (at - 1, at, at + 1)))
