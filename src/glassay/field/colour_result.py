"""Lateral colour as found: red and blue against green."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.finding import Finding
from glassay.quantity import Contribution, Quantity, combine

Array = npt.NDArray[np.float64]


METHOD = "red and blue against green along edges"


@dataclass(frozen=True, slots=True)
class Processing:
    """What a camera's processing leaves open: relative, and in px where there is no displacement."""

    share: float
    px: float


PLAIN = Processing(0.02, 0.01)
"""Demosaiced and stored without loss: simulated grids and dots were off by 0 to 1.5 %."""


@dataclass(frozen=True)
class ColourField:
    """Displacement of one colour against green.

    `terms` are shift x, shift y, s, t and k in px, for radii in half diagonals; `covariance` theirs.
    """

    terms: Array
    covariance: Array
    processing: Processing = PLAIN

    def radial(self, radius: float) -> Quantity:
        """Mean displacement along the radius over a circle of this radius (half diagonals), px."""
        return self._quantity(np.array([0, 0, radius, 0, radius**3]))

    def tangential(self, radius: float) -> Quantity:
        """Mean displacement across the radius over such a circle, px (clockwise as seen)."""
        return self._quantity(np.array([0, 0, 0, radius, 0]))

    @property
    def centre(self) -> Quantity:
        """Length of the displacement at the picture's middle, px."""
        x, y = (float(v) for v in self.terms[:2])
        length = math.hypot(x, y)
        way = np.array([x, y]) / length if length else np.array([1.0, 0.0])
        return self._with_processing(length, math.sqrt(way @ self.covariance[:2, :2] @ way))

    def in_corners(self) -> tuple[Quantity, ...]:
        """Displacement along the radius, across it, and the shift's x and y, px."""
        shift = (self._quantity(np.eye(5)[n]) for n in (0, 1))
        return self.radial(1.0), self.tangential(1.0), *shift

    def at(self, places: Array) -> Array:
        """Displacement (n, 2) px at places (n, 2) from the middle in half diagonals."""
        return np.asarray((basis(places) @ self.terms).reshape(-1, 2))

    def _quantity(self, weights: Array) -> Quantity:
        u = math.sqrt(max(float(weights @ self.covariance @ weights), 0.0))
        return self._with_processing(float(weights @ self.terms), u)

    def _with_processing(self, value: float, u: float) -> Quantity:
        parts = (
            Contribution("scatter of the pieces", u),
            Contribution(
                "demosaicing and stored chroma", self.processing.share * abs(value), scope="setting"
            ),
            Contribution(
                "least displacement that processing keeps", self.processing.px, scope="setting"
            ),
        )
        return Quantity(value, "px", parts)


@dataclass(frozen=True)
class LateralColour:
    """Red and blue against green: the fitted fields, and the pieces behind them.

    `red_places` (n, 2) px are the middles of the edges in each piece, `red_px` (n, 2) what they
    showed; likewise for blue.
    """

    shape: tuple[int, int]
    red: ColourField
    blue: ColourField
    red_places: Array
    red_px: Array
    blue_places: Array
    blue_px: Array
    reach: float
    pixel_size: Quantity | None
    notes: tuple[str, ...]

    @property
    def edge_radius(self) -> float:
        """Radius of the middle of the shorter sides, half diagonals."""
        return max(self.shape) / math.hypot(*self.shape)

    @property
    def corner_spread(self) -> Quantity:
        """Distance between the outermost two of the three colours at the corner, px.

        Along the radius; where colours are seen to be shifted all over the picture as well, or turned,
        the root of the mean square distance over a circle through the corners.
        """
        nothing = (Quantity(0.0, "px"),) * 4
        parts = [self.red.in_corners(), self.blue.in_corners(), nothing]
        pairs = ((0, 1), (0, 2), (1, 2))
        return max((_apart(parts[a], parts[b]) for a, b in pairs), key=lambda q: q.value)

    @property
    def shifted(self) -> dict[str, Quantity]:
        """How far (px) colours are shifted against green all over the picture, those that show it."""
        both = {"red": self.red.centre, "blue": self.blue.centre}
        return {name: shift for name, shift in both.items() if shift.value > shift.expanded}

    def findings(self) -> dict[str, Finding]:
        """lateral_colour (spread of colours at the corner) and lateral_red_..., lateral_blue_...
        at centre, edge and corner, radial and tangential (px); in um as ..._object when
        calibrated."""
        out = {"lateral_colour": self.corner_spread}
        for name, field in (("red", self.red), ("blue", self.blue)):
            out[f"lateral_{name}_centre"] = field.centre
            for place, radius in (("edge", self.edge_radius), ("corner", 1.0)):
                out[f"lateral_{name}_{place}"] = field.radial(radius)
                out[f"lateral_{name}_{place}_tangential"] = field.tangential(radius)
        if self.pixel_size is not None:
            size = self.pixel_size
            out |= {
                f"{key}_object": combine(lambda d, p: d * p, (value, size), "um")
                for key, value in list(out.items())
            }
        return {key: Finding(value, METHOD) for key, value in out.items()}

    def evidence(self) -> dict[str, Any]:
        """Pieces and their displacements (px), and the photo's shape."""
        return {
            "shape": self.shape,
            "red_places": np.round(self.red_places, 1),
            "red": np.round(self.red_px, 3),
            "blue_places": np.round(self.blue_places, 1),
            "blue": np.round(self.blue_px, 3),
            "red_terms": self.red.terms,
            "blue_terms": self.blue.terms,
        }


def _apart(one: tuple[Quantity, ...], other: tuple[Quantity, ...]) -> Quantity:
    """Distance of two colours in the corners, of whose parts (see `in_corners`) those count that are
    seen, and the one along the radius."""
    radial, *others = (
        combine(lambda a, b: a - b, (a, b), "px") for a, b in zip(one, other, strict=True)
    )
    seen = [part for part in others if abs(part.value) > part.expanded]
    if not seen:
        sign = -1.0 if radial.value < 0 else 1.0
        return combine(lambda a: sign * a, (radial,), "px")
    return combine(lambda *parts: sum(part * part for part in parts) ** 0.5, (radial, *seen), "px")


def basis(places: Array) -> Array:
    """Rows x, y, x, y, ... of the five terms at places (n, 2)."""
    x, y = places.T
    square = x * x + y * y
    one, nil = np.ones_like(x), np.zeros_like(x)
    rows_x = np.column_stack([one, nil, x, -y, square * x])
    rows_y = np.column_stack([nil, one, y, x, square * y])
    return np.stack([rows_x, rows_y], axis=1).reshape(-1, 5)
