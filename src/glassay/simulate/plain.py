"""Simple scenes: an even field, and straight edges."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from glassay.simulate.geometry import Image, Points
from glassay.simulate.paint import View, band, blend, step


@dataclass(frozen=True)
class FlatField:
    """The same everywhere; grey, or R, G, B."""

    value: float | tuple[float, float, float] = 0.6

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        colour = np.asarray(self.value, dtype=view.x.dtype)
        return np.broadcast_to(colour, (*view.shape, *colour.shape)).copy()

    def marks_um(self) -> dict[str, Points]:
        """None."""
        return {}

    def facts(self) -> dict[str, float | str]:
        """None."""
        return {}


@dataclass(frozen=True)
class Edge:
    """A knife edge through (0, 0), leaning `lean_deg` from the y axis (positive: towards +x going
    down); `left` of it one value, `right` of it the other."""

    lean_deg: float = 5.0
    left: float = 0.15
    right: float = 0.75

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        angle = math.radians(self.lean_deg)
        x, y = view.x + view.origin_um[0], view.y + view.origin_um[1]
        cover = step(x * math.cos(angle) - y * math.sin(angle), view.sigma_um)
        return blend(np.full(view.shape, self.left, dtype=view.x.dtype), cover, self.right)

    def marks_um(self) -> dict[str, Points]:
        """ "edge": two points on the edge, 1000 um from the middle."""
        angle = math.radians(self.lean_deg)
        away = 1000 * np.array([[-math.sin(angle), -math.cos(angle)]])
        return {"edge": np.concatenate([away, -away])}

    def facts(self) -> dict[str, float | str]:
        """The edge's lean."""
        return {"lean_deg": self.lean_deg}


@dataclass(frozen=True)
class SlantedSquare:
    """A square of `side_um`, turned by `turn_deg`, around (0, 0): four edges in one picture."""

    side_um: float = 300.0
    turn_deg: float = 6.0
    inside: float = 0.15
    outside: float = 0.75

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        c, s = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        x, y = view.x + view.origin_um[0], view.y + view.origin_um[1]
        cover = band(x * c + y * s, self.side_um / 2, view.sigma_um)
        cover *= band(y * c - x * s, self.side_um / 2, view.sigma_um)
        return blend(np.full(view.shape, self.outside, dtype=view.x.dtype), cover, self.inside)

    def marks_um(self) -> dict[str, Points]:
        """ "corners": in order around the square."""
        c, s = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * self.side_um / 2
        return {"corners": corners @ np.array([[c, s], [-s, c]])}

    def facts(self) -> dict[str, float | str]:
        """Side and turn."""
        return {"side_um": self.side_um, "turn_deg": self.turn_deg}
