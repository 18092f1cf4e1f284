"""Which cell repeats in a lattice: a mosaic's colours, cells of memory, hexagons."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.lattice.peaks import Peak

Array = npt.NDArray[np.float64]


Mosaic = Literal["auto", "colour", "none"]

MAIN = 0.3
"""Amplitude relative to the largest from which a peak's colours are looked at."""

HEXAGONAL_ALIKE = 0.03
HEXAGONAL_DEG = 3.0
"""How nearly alike two steps are, and how near to 60 degrees apart, that are taken for hexagonal.
Pixels under a mosaic would have to be 1.7 times as high as wide to look like that."""

CELLS_CLEAR = 1.25
"""The cells' own waves over those of every second cell from which the cells are told, of whatever two
kinds they are: lattices of a single kind of dot, of any size, stay below 1."""

HALF_ORDER = 0.1
"""How near a wave must be to half an order to show that what repeats is twice as long as taken for."""

COLOURS_KEPT_PX = 12.0
"""Period from which compression with halved colours leaves a mosaic its colours (seen at JPEG 50)."""

GREEN_LEFT = 0.6
"""Where red and blue agree and green has less than this part of theirs, hardly an object has such a
colour: the camera's own mosaic has made moire of something finer."""


class MosaicUntold(NotMeasurable):
    """What repeats may be a mosaic of finer pixels, or not: a reduced copy would show no more."""


def orders_of(points: Array, a: Array, b: Array) -> Array:
    return np.asarray(np.rint(np.linalg.solve(np.stack([a, b], axis=1), points.T).T))


def is_rhombic(a: Array, b: Array) -> bool:
    """Whether the steps are those of a mosaic's green pixels: alike, and on the diagonals."""
    la, lb = math.hypot(*a), math.hypot(*b)
    alike = abs(la / lb - 1) < 0.03
    tilt = math.degrees(math.atan2(a[1], a[0])) % 90
    return alike and 22.5 < tilt < 67.5


def is_red_and_blue(strong: Sequence[Peak], a: Array, b: Array) -> bool:
    """Whether the steps are those of a mosaic's red and blue pixels, with hardly any green: not of
    its green ones, even where they lie on the picture's diagonals."""
    return any(
        peak.alternates and peak.colours is not None
        and peak.colours[1] < GREEN_LEFT * max(peak.colours[0], peak.colours[2])
        for peak in strong
        if min(math.dist(sign * peak.frequency, step) for sign in (1, -1) for step in (a, b))
        < 0.02 * peak.length
    )  # fmt: skip


def cells_within(strong: Sequence[Peak], a: Array, b: Array) -> tuple[Array, Array] | None:
    """The steps of cells of which every so many are different, as where a memory's every eighth column
    is a strap: along both sides the strongest waves are those of the cells, finer than the steps.

    None where they are not, or where a cell with something in its middle would look the same.
    """
    places = np.linalg.solve(np.stack([a, b], axis=1), np.array([p.frequency for p in strong]).T).T
    orders = np.rint(places)
    found = []
    for axis in (0, 1):
        along = [(peak, abs(int(order[axis]))) for peak, order in zip(strong, orders, strict=True)
                 if order[1 - axis] == 0 != order[axis]]  # fmt: skip
        if not along:
            return None
        peak, times = max(along, key=lambda one: one[0].amplitude)
        finer = [other for other, many in along if many % times]
        if times > 1 and any(CELLS_CLEAR * one.amplitude > peak.amplitude for one in finer):
            return None
        if peak.alternates or any(one.alternates for one in finer):
            return None
        found.append(times)
    halves = np.abs(places * 2 - np.rint(places * 2)).max(axis=1) < HALF_ORDER
    coarser = int((halves & (np.abs(places - orders).max(axis=1) > 0.5 - HALF_ORDER)).sum())
    if max(found) == 1 or (max(found) == 2 and coarser < 2):
        return None
    return found[0] * a, found[1] * b


def is_hexagonal(a: Array, b: Array) -> bool:
    """Whether two shortest steps are those of a hexagonal lattice: alike, and at 60 degrees."""
    la, lb = math.hypot(*a), math.hypot(*b)
    angle = math.degrees(math.acos(min(1.0, abs(float(a @ b)) / la / lb)))
    return abs(la / lb - 1) < HEXAGONAL_ALIKE and abs(angle - 60) < HEXAGONAL_DEG


def mosaic_of(
    strong: Sequence[Peak], a: Array, b: Array, rhombic: bool, mosaic: Mosaic
) -> tuple[int, bool]:
    """Pixels in a period of what repeats, 2 standing for any, and whether that is a colour mosaic.

    A single kind of cell is strongest at its own frequency and weaker on the diagonal, whatever the
    optics; two kinds need not be. Only colours tell a mosaic from other cells of two kinds.
    """
    if mosaic != "auto":
        return (2, True) if mosaic == "colour" else (1, False)
    orders = np.abs(orders_of(np.array([p.frequency for p in strong]), a, b))
    # where colours alternate in space they do so at the lowest orders, and agree at twice those
    if any(
        order.max() == 1 and peak.alternates and peak.amplitude > MAIN * strong[0].amplitude
        for peak, order in zip(strong, orders, strict=True)
    ):
        return 2, True
    if is_hexagonal(a, b):
        return 1, False
    amplitude = amplitudes(strong, a, b)
    own = max(amplitude[1, 0], amplitude[0, 1])
    cells = [p.amplitude for p in strong
             if min(math.dist(s * p.frequency, way) for s in (1, -1) for way in (a + b, a - b))
             < 0.02 * p.length]  # fmt: skip
    if rhombic and len(cells) == 2 and min(cells) > CELLS_CLEAR * own:
        return 2, False
    if 1 / strong[0].length >= COLOURS_KEPT_PX and strong[0].colours is not None:
        return 1, False
    if rhombic or amplitude[1, 1] > own or min(amplitude[2, 0], amplitude[0, 2]) > own:
        raise MosaicUntold(
            "what repeats in the picture is either cells of one kind or the pixels of a colour mosaic,"
            " which lie closer, and no colours tell which; say whether there is a mosaic (colour or"
            " none)"
        )
    return 1, False


def amplitudes(strong: Sequence[Peak], a: Array, b: Array) -> dict[tuple[int, int], float]:
    """Amplitudes of the lowest orders, whatever their signs."""
    amplitude = {(1, 0): 0.0, (0, 1): 0.0, (1, 1): 0.0, (2, 0): 0.0, (0, 2): 0.0}
    orders = np.abs(orders_of(np.array([p.frequency for p in strong]), a, b)).astype(int)
    for peak, order in zip(strong, orders, strict=True):
        key = (int(order[0]), int(order[1]))
        if key in amplitude:
            amplitude[key] = max(amplitude[key], peak.amplitude)
    return amplitude


def pixels_in_period(strong: Sequence[Peak], a: Array, b: Array) -> int:
    """Pixels along one period of the mosaic: the lowest multiple at which all colours agree."""
    orders = np.abs(orders_of(np.array([p.frequency for p in strong]), a, b)).astype(int)
    agreed = [
        int(order.max())
        for peak, order in zip(strong, orders, strict=True)
        if order.min() == 0 < order.max() and peak.alternates is False and order.max() % 2 == 0
    ]
    return min(agreed, default=2)
