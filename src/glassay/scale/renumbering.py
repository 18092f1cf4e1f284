"""Rows of lines renumbered: finer ones counted, pairs taken as one, heavier ones left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from glassay.scale.hierarchy import Hierarchy, Row
from glassay.scale.lines import Lines
from glassay.scale.search import Sighting


def renumbered(row: Sighting, lines: Lines, parts: int) -> Sighting:
    """The same row counted in lines `parts` times as fine."""
    powers = parts ** np.arange(len(row.place) - 1, -1, -1, dtype=np.float64)
    numbers = np.arange(row.numbers.min() * parts, row.numbers.max() * parts + 1)
    begins = np.interp(numbers / parts, row.numbers, row.begins)
    ends = np.interp(numbers / parts, row.numbers, row.ends)
    return replace(
        row, place=row.place / powers, numbers=numbers, begins=begins, ends=ends, angle=lines.angle
    )


def every_second(row: Sighting) -> Sighting:
    """The same row with every second line taken as part of its neighbour."""
    chosen = row.numbers % 2 == 0
    powers = 2.0 ** np.arange(len(row.place) - 1, -1, -1)
    return replace(
        row, place=row.place * powers, numbers=row.numbers[chosen] // 2,
        begins=row.begins[chosen], ends=row.ends[chosen],
    )  # fmt: skip


def without(row: Sighting, heavier: Hierarchy) -> Sighting:
    """The same row without its heavier lines."""
    kept = (row.numbers - heavier.first) % heavier.every != 0
    return replace(
        row, numbers=row.numbers[kept], begins=row.begins[kept], ends=row.ends[kept],
    )  # fmt: skip


def lines_of(row: Sighting, lines: Lines) -> Row:
    """The lines found and those that are missing between them."""
    numbers = np.arange(lines.numbers.min(), lines.numbers.max() + 1)
    positions = np.interp(numbers, lines.numbers, lines.positions)
    return Row(lines.angle, row.period, numbers, positions, row.core)
