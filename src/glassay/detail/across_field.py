"""How much wider lines must be far from the middle of the picture than in it.

The finest line of a setting is that of its best part. Field curvature, coma and a tilted object
make it wider towards the corners; one figure says by how much: the frequency of 10 % modulation
in the middle over that in the corners, each no higher than the pixels carry.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal, TypeVar

from glassay.errors import NotMeasurable
from glassay.field_stop import FieldStop
from glassay.optics.limits import NYQUIST
from glassay.quantity import Quantity

Zone = Literal["centre", "middle", "corner"]

KEY = "line_ratio_corner"
"""Finding: width of the finest line in the corners over that in the centre."""

SOURCE = "detail in the corners"
ZONE_U = 0.02
"""Relative standard uncertainty of a zone's frequency besides its scatter: as much as the
method adds to the more uncertain of a whole picture's two frequencies (`wiring_response`)."""

MOST_VAGUE = 0.15
"""Standard uncertainty, as a share of the value, beyond which the figure is withheld."""

T = TypeVar("T")


def zone_at(x: float, y: float, shape: tuple[int, ...], stop: FieldStop | None = None) -> Zone:
    """Part of the field in which a place (px) lies, by thirds of the half diagonal, or of the
    radius of a round field."""
    if stop is None:
        share = math.hypot(x - (shape[1] - 1) / 2, y - (shape[0] - 1) / 2)
        share /= math.hypot(shape[0], shape[1]) / 2
    else:
        share = math.hypot(x - stop.x, y - stop.y) / (stop.diameter / 2)
    return "centre" if share < 1 / 3 else "middle" if share < 2 / 3 else "corner"


def ratio_in_corners(
    parts: Sequence[T], zones: Sequence[Zone], tenth_of: Callable[[list[T]], tuple[float, float]]
) -> Quantity | None:
    """The figure, from parts of a picture that each lie in a zone; None where the picture does not
    tell.

    `tenth_of` gives the frequency of 10 % modulation (cycles/px) from the parts of one zone, and
    its standard uncertainty from what the zones do not share; it raises `NotMeasurable` where
    they do not tell it.
    """
    found = []
    for zone in ("centre", "corner"):
        mine = [part for part, here in zip(parts, zones, strict=True) if here == zone]
        try:
            value, u = tenth_of(mine)
        except NotMeasurable:
            return None
        found.append((min(value, NYQUIST), u / value))
    (middle, middle_u), (corner, corner_u) = found
    ratio = middle / corner
    figure = Quantity.of(ratio, math.hypot(middle_u, corner_u) * ratio, "1", SOURCE)
    figure = figure.with_contribution(
        "method of zones", math.sqrt(2) * ZONE_U * ratio, scope="setting"
    )
    return figure if figure.relative <= MOST_VAGUE else None


def in_words(figure: Quantity) -> str:
    """The figure as a sentence."""
    if figure.interval[0] <= 1:
        return "in the corners lines of the same width are told as in the centre, within U"
    return f"in the corners, lines must be {figure.value:.1f} times wider than in the centre"
