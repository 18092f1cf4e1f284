"""Strokes over pictures, as SVG path data in px of what is shown."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

BARB = math.radians(150)
"""The barbs of an arrow's head, against its shaft."""


def line_path(segments: Any) -> str:
    """Straight lines, (n, 4) as x0, y0, x1, y1 or (n, 2, 2)."""
    ends = np.asarray(segments, dtype=np.float64).reshape(-1, 4)
    return "".join(f"M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}" for x0, y0, x1, y1 in ends)


def outline_path(corners: Any) -> str:
    """A closed line through corners, (n, 2)."""
    points = np.asarray(corners, dtype=np.float64).reshape(-1, 2)
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z" if len(points) else ""


def ring_path(x: float, y: float, radius: float) -> str:
    """A circle."""
    half = f"a{radius:.2f} {radius:.2f} 0 1 0"
    return f"M{x - radius:.2f} {y:.2f}{half} {2 * radius:.2f} 0{half} {-2 * radius:.2f} 0"


def arrow_path(x0: float, y0: float, x1: float, y1: float, head: float) -> str:
    """An arrow to (x1, y1) with barbs `head` long."""
    path, angle = f"M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}", math.atan2(y1 - y0, x1 - x0)
    for turn in (-BARB, BARB):
        x, y = x1 + head * math.cos(angle + turn), y1 + head * math.sin(angle + turn)
        path += f"M{x:.2f} {y:.2f}L{x1:.2f} {y1:.2f}"
    return path


def displacement_arrows(at: Array, moved: Array, enlarged: float) -> str:
    """An arrow from each place (n, 2) along its displacement (n, 2), so many times enlarged."""
    path = ""
    for (x, y), (dx, dy) in zip(at, enlarged * moved, strict=True):
        u, v = x + dx, y + dy
        path += f"M{x:.1f} {y:.1f}L{u:.1f} {v:.1f}"
        for side in (-1, 1):  # a head of a quarter of the length, 27 degrees to each side
            path += f"M{u:.1f} {v:.1f}l{-0.25 * (dx - side * dy / 2):.1f} "
            path += f"{-0.25 * (dy + side * dx / 2):.1f}"
    return path


def joined_paths(lines: Iterable[Array]) -> str:
    """Open lines through points, each (n, 2)."""
    return "".join(
        "M" + "L".join(f"{x:.0f} {y:.0f}" for x, y in line) for line in lines if len(line) > 1
    )
