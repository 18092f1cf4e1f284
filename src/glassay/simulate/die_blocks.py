"""What fills the blocks of a virtual die: memory, logic with its buses, analogue parts."""

from __future__ import annotations

import math

import numpy as np

from glassay.simulate.die_layout import (
    METAL,
    Box,
    Lattice,
    Part,
)
from glassay.simulate.shapes import Boxes, Colour, Shape


def fill(
    kind: str, rng: np.random.Generator, block: Box, film: Colour, feature: float
) -> list[Part]:
    if kind == "memory":
        return _memory(rng, block, film, feature)
    if kind == "logic":
        return _logic(rng, block, film, feature)
    if kind == "bus":
        return _bus(rng, block, feature)
    return _analogue(rng, block, film, feature)


def shade(colour: Colour, factor: float) -> Colour:
    r, g, b = (min(1.0, factor * c) for c in colour)
    return (r, g, b)


def _memory(rng: np.random.Generator, block: Box, film: Colour, feature: float) -> list[Part]:
    x0, y0, x1, y1 = block
    strip = 0.09 * min(x1 - x0, y1 - y0)
    period = (feature * rng.uniform(3.0, 4.5), feature * rng.uniform(2.2, 3.4))
    middle = (x0 + x1) / 2
    halves = [(x0 + strip, y0 + strip, middle - strip / 2, y1 - strip / 2),
              (middle + strip / 2, y0 + strip, x1 - strip / 2, y1 - strip / 2)]  # fmt: skip
    parts: list[Part] = [
        Lattice(half, period, (feature, 0.8 * feature), shade(film, 1.7), shade(film, 0.6),
                shade(METAL, 0.9))
        for half in halves
    ]  # fmt: skip
    # drivers beside the array repeat with the array's own lines, in groups that differ
    tops = np.arange(y0 + strip, y1 - strip / 2 - 4 * period[1], 8 * period[1])
    lengths = strip * rng.uniform(0.4, 0.85, tops.size)
    drivers = np.stack([np.full(tops.size, x0 + 0.05 * strip), tops,
                        x0 + 0.05 * strip + lengths, tops + 5 * period[1]], axis=1)  # fmt: skip
    parts.append(Boxes(drivers, shade(METAL, 0.75)))
    lefts = np.arange(x0 + strip, x1 - strip, 4 * period[0])
    heights = strip * rng.uniform(0.3, 0.85, lefts.size)
    sense = np.stack([lefts, np.full(lefts.size, y0 + 0.05 * strip), lefts + 2.5 * period[0],
                      y0 + 0.05 * strip + heights], axis=1)  # fmt: skip
    parts.append(Boxes(sense, shade(film, 2.0)))
    return parts


def _logic(rng: np.random.Generator, block: Box, film: Colour, feature: float) -> list[Part]:
    x0, y0, x1, y1 = block
    row = 9 * feature
    cells, wires = [np.empty((0, 4))], [np.empty((0, 4))]
    for top in np.arange(y0 + feature, y1 - row, row):
        widths = feature * rng.integers(2, 9, int((x1 - x0) / (3 * feature)))
        ends = x0 + np.cumsum(widths)
        ends = ends[ends < x1 - feature]
        starts = np.concatenate([[x0 + feature], ends[:-1]])
        used = rng.random(ends.size) < 0.6
        low = top + feature * rng.integers(1, 3, ends.size)
        high = top + row - feature * rng.integers(2, 5, ends.size)
        cells.append(np.stack([starts, low, ends - 0.8 * feature, high], axis=1)[used])
        wires.append(np.array([[x0, top - 0.6 * feature, x1, top + 0.6 * feature]]))
    count = int((x1 - x0) * (y1 - y0) / (120 * feature**2))
    x = x0 + feature * np.rint(rng.uniform(0, 1, count) * (x1 - x0 - 2 * feature) / feature)
    y = rng.uniform(y0, y1 - 3 * row, count)
    length = row * rng.exponential(1.2, count)
    ups = np.stack([x, y, x + 0.7 * feature, np.minimum(y + length, y1)], axis=1)
    across = np.stack([x, y, np.minimum(x + length, x1), y + 0.7 * feature], axis=1)[::2]
    return [
        Boxes(np.concatenate(cells), shade(film, 0.55)),
        Boxes(np.concatenate(wires), shade(METAL, 0.8)),
        Boxes(ups, shade(METAL, 0.95)),
        Boxes(across, shade(film, 2.1)),
    ]


def _bus(rng: np.random.Generator, block: Box, feature: float) -> list[Part]:
    """Bundles that enter at the left, turn through 45 degrees and leave below or at the right."""
    x0, y0, x1, y1 = block
    parts: list[Part] = []
    pitch = 2.2 * feature
    top = y0 + 3 * pitch
    while top < y1 - 12 * pitch:
        count = int(rng.integers(5, 17))
        bend = rng.uniform(0.3, 0.7) * (x1 - x0) + x0
        drop = rng.uniform(0.1, 0.5) * (y1 - top - count * pitch)
        for k in range(count):
            y = top + k * pitch
            turn = bend - 0.414 * k * pitch
            reach = min(drop, x1 - turn)
            if y + reach > y1:
                break
            path = np.array([(x0, y), (turn, y), (turn + reach, y + reach), (x1, y + reach)])
            parts.append(Shape(path, METAL, feature, cap="butt"))
        top += (count + int(rng.integers(2, 7))) * pitch + 0.5 * drop
    return parts


def _analogue(rng: np.random.Generator, block: Box, film: Colour, feature: float) -> list[Part]:
    x0, y0, x1, y1 = block
    w, h = x1 - x0, y1 - y0
    plates = []
    for i in range(3):
        for j in range(4):
            px, py = x0 + w * (0.06 + 0.11 * i), y0 + h * (0.08 + 0.22 * j)
            plates.append((px, py, px + 0.085 * w, py + h * rng.uniform(0.1, 0.17)))
    parts: list[Part] = [Boxes(np.array(plates), shade(film, 1.9))]
    turns = np.linspace(0, 5, 161)
    radius = 0.42 * min(0.5 * w, h) * (1 - 0.13 * turns)
    angle = 2 * math.pi * np.rint(turns * 8) / 8  # an eight-sided coil
    coil = np.stack([x0 + 0.7 * w + radius * np.cos(angle), y0 + 0.5 * h + radius * np.sin(angle)],
                    axis=1)[::4]  # fmt: skip
    parts.append(Shape(coil, METAL, 2.2 * feature, cap="butt"))
    left, right = x0 + 0.40 * w, x0 + 0.47 * w
    zigzag = [
        (left if (k // 2) % 2 == 0 else right, y0 + h * (0.08 + 0.8 * ((k + 1) // 2) / 24))
        for k in range(48)
    ]
    parts.append(Shape(np.array(zigzag), shade(film, 0.5), 1.4 * feature, cap="butt"))
    return parts
