"""Finer lattices that would look like the one that is seen: moire that nothing in it gives away.

A px samples a wave of frequency f and one of f + n, n whole along both axes, alike: pixels 1.3 px apart
show as pixels 4.33 px apart, all their waves in place. What differs is the contrast that lens and px
leave, and the direction: a lattice along the sides of its array shows turned by several times their
tilt, unless that is next to none. A wave stronger than any moire of it could be rules a finer lattice
out; then the array's sides do, by their direction or, where they are level, by being soft.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from glassay.imaging.tone import FloatImage
from glassay.lattice.peaks import Peak
from glassay.lattice.side import FEWEST_PIECES, PIECES, STEP_CONTRAST

Array = npt.NDArray[np.float64]

STRONGEST_CELLS = 1.27
"""Amplitude over mean of the first wave of windows half as wide as their cells between black walls:
4 / pi (geometry). Cells of other shares, with less black walls, have less."""

SHARPEST_PX = 0.25
"""Blur (standard deviation, px) of the sharpest lens that is reckoned with before the px: one whose
cut-off is twice the sampling rate blurs about as much."""

EVIDENT = 0.02
"""Amplitude below which no wave rules out anything: compression leaves as much at its multiples."""

PLACED = 0.45
"""How far a wave may be from its place in the lattice, samples of the spectrum, and a third of it more
for each order: as where lattices are sought."""

MOST_OBLONG = 2.2
"""Height over width of pixels, or width over height, beyond which no lattice is reckoned with."""

SQUARE_DEG = 3.0
"""How far the steps of a finer lattice may be from 90, 60 or 120 degrees apart."""

SIDES_DEG = 0.15
"""How far sides that were found may be turned from the lattice that they bound (drawn and simulated
dies: up to 0.15, mostly below 0.05)."""

SOFT = 0.4
"""Part of the change of light at a side between one px and the next below which its blur hides what is
finer than two px. It is that of a Gaussian blur of 1.0 px (standard deviation, the px in it), which
leaves 0.1 % of what shows as steps of 2.6 px; an edge through the sharpest lens has 0.47 at least,
where it runs through the middle of a px."""

ACROSS_PX = 8
"""Half the length of the lines across a side on which its sharpness is read, px."""


@dataclass(frozen=True)
class Finer:
    """Steps of a finer lattice, cycles/px, like those of the one that is seen (`y` may be None)."""

    x: Array
    y: Array | None

    @property
    def pitch(self) -> float:
        """The smaller one of its pitches, px."""
        return 1 / max(math.hypot(*self.x), 0.0 if self.y is None else math.hypot(*self.y))


def finer_lattices(
    strong: Sequence[Peak], bins: Array, seen: tuple[Array, Array | None],
    told: tuple[Array, Array | None], factor: int,
) -> tuple[Finer, ...]:  # fmt: skip
    """The finer lattices of which the peaks may be moire.

    `seen` are primitive steps of the peaks and `told` the steps that are told, in a copy reduced by
    `factor`; `bins` turn its cycles/px into samples of the spectrum.
    """
    a, b = (None if step is None else step / factor for step in seen)
    assert a is not None
    waves = _waves(strong, bins, seen)
    x, y = told
    shares = _shares(seen, [step for step in (x, y) if step is not None])
    whole = [np.array(n, dtype=np.float64) for n in product((-1, 0, 1), repeat=2)]
    found: list[Finer] = []
    for m, n in product(whole, whole if b is not None else [np.zeros(2)]):
        if not m.any() and not n.any():
            continue
        basis = np.stack([a + m, np.zeros(2) if b is None else b + n])
        if any(size > max(_strongest(order @ basis), EVIDENT) for order, size in waves):
            continue
        steps = shares @ basis
        one = Finer(steps[0], steps[1] if y is not None else None)
        if _is_lattice(one):
            found.append(one)
    return tuple(found)


def _waves(
    strong: Sequence[Peak], bins: Array, seen: tuple[Array, Array | None]
) -> list[tuple[Array, float]]:
    """Orders and amplitudes of the peaks that are waves of the lattice."""
    orders = np.rint(_shares(seen, [peak.frequency for peak in strong]))
    a, b = seen
    places = orders @ np.stack([a, np.zeros(2) if b is None else b])
    found = []
    for peak, order, place in zip(strong, orders, places, strict=True):
        high = float(np.abs(order).sum())
        away = math.hypot(*((peak.frequency - place) * bins))
        if high and away < PLACED * (1 + 0.3 * high):
            found.append((order, peak.amplitude))
    return found


def _shares(seen: tuple[Array, Array | None], vectors: Sequence[Array]) -> Array:
    """Vectors in steps of the lattice, (vectors, 2)."""
    a, b = seen
    other = np.array([-a[1], a[0]]) if b is None else b
    found = np.asarray(np.linalg.solve(np.stack([a, other], axis=1), np.array(vectors).T).T)
    if b is None:
        found[:, 1] = 0
    return found


def _strongest(wave: Array) -> float:
    """Amplitude, relative to the mean, of the strongest wave that px and the sharpest lens leave of a
    lattice at this frequency."""
    blur = math.exp(-2 * (math.pi * SHARPEST_PX) ** 2 * float(wave @ wave))
    return STRONGEST_CELLS * blur * float(np.prod(np.abs(np.sinc(wave))))


def _is_lattice(one: Finer) -> bool:
    """Whether pixels could lie so."""
    if one.y is None:
        return True
    high, wide = math.hypot(*one.x), math.hypot(*one.y)
    if min(high, wide) < 1e-9 or not 1 / MOST_OBLONG < high / wide < MOST_OBLONG:
        return False
    angle = math.degrees(math.acos(np.clip(abs(float(one.x @ one.y)) / high / wide, 0, 1)))
    return min(abs(angle - 90), abs(angle - 60)) < SQUARE_DEG


def not_along(
    finer: Sequence[Finer], x: Array, direction_deg: float, tolerance_deg: float, hexagonal: bool
) -> tuple[Finer, ...]:
    """Those of the finer lattices that the direction of the array's sides does not rule out.

    Both steps of one must lie along the sides, within the tolerance and twice what `x` lies off, a
    step of the lattice that is seen.
    """
    turn = 30 if hexagonal else 90

    def off(step: Array) -> float:
        angle = math.degrees(math.atan2(step[1], step[0])) - direction_deg
        return abs((angle + turn / 2) % turn - turn / 2)

    limit = tolerance_deg + 2 * off(x)
    return tuple(
        one for one in finer
        if max(off(step) for step in (one.x, one.y) if step is not None) <= limit
    )  # fmt: skip


def sharpness(image: FloatImage, corners: Array) -> float | None:
    """The largest change from px to px at the sides of a level outline (4, 2), over their whole change:
    between 0.5 and 1 of an edge that is sharp. None where no side is read."""
    grey = np.asarray(image if image.ndim == 2 else image.mean(axis=2), dtype=np.float64)
    sides = []
    for k in range(4):
        start, end = corners[k], corners[(k + 1) % 4]
        level = abs(end[0] - start[0]) > abs(end[1] - start[1])
        plane = grey if level else grey.T
        ends = sorted((p if level else p[::-1]).tolist() for p in (start, end))
        found = list(_pieces(plane, *ends))
        if len(found) >= FEWEST_PIECES:
            sides.append(float(np.median(found)))
    return max(sides, default=None)


def _pieces(plane: Array, start: Sequence[float], end: Sequence[float]) -> Iterator[float]:
    """The same of pieces of one side, which runs level from `start` to `end`."""
    (u0, v0), (u1, v1) = start, end
    half = 0.4 * (u1 - u0) / PIECES
    for share in np.linspace(0.08, 0.92, PIECES):
        at, v = u0 + share * (u1 - u0), round(v0 + share * (v1 - v0))
        left, right = max(0, math.ceil(at - half)), math.floor(at + half) + 1
        if v < ACROSS_PX or v + ACROSS_PX >= plane.shape[0] or right - left < 2:
            continue
        line = plane[v - ACROSS_PX : v + ACROSS_PX + 1, left:right].mean(axis=1)
        far = ACROSS_PX // 2
        change = abs(float(line[:far].mean() - line[-far:].mean()))
        if change > STEP_CONTRAST * abs(float(line.mean())):
            yield float(np.abs(np.diff(line[far:-far])).max()) / change
