"""What the size and the pitch of a sensor's array come to: count, megapixels, diagonal, format."""

from __future__ import annotations

import math

from glassay.finding import Finding
from glassay.lattice.formats import format_of
from glassay.quantity import Quantity, combine

METHOD = "lattice of a photo"

LAST_PIXEL = 0.25
"""Standard uncertainty, in pixels of the sensor, of where the first and the last one end: their
windows are smaller than their cells."""


def megapixels_of(columns: Quantity, rows: Quantity) -> Quantity:
    """Columns times rows, in millions."""
    return combine(lambda c, r: c * r / 1e6, (columns, rows), "MP")


def count_findings(columns: Quantity, rows: Quantity) -> dict[str, Finding]:
    """columns, rows, array_megapixels."""
    found = {"columns": columns, "rows": rows, "array_megapixels": megapixels_of(columns, rows)}
    return {key: Finding(quantity, METHOD) for key, quantity in found.items()}


def size_findings(width: Quantity, height: Quantity) -> dict[str, Finding]:
    """array_width, array_height; array_diagonal and, where there is one, optical_format of a size
    in um."""
    out = {"array_width": Finding(width, METHOD), "array_height": Finding(height, METHOD)}
    if width.unit == "um":
        diagonal = combine(lambda w, h: (w * w + h * h) ** 0.5, (width, height), "um")
        out["array_diagonal"] = Finding(diagonal, METHOD)
        name = format_of(diagonal.value / 1000)
        if name is not None:
            out["optical_format"] = Finding(name, METHOD)
    return out


def count_along(size: Quantity, pitch: Quantity) -> Quantity:
    """Pixels along a side of the array, from its size and their pitch in one unit."""
    count = combine(lambda s, p: s / p, (size, pitch), "1")
    return count.with_contribution(
        "where the last pixels end", math.sqrt(2) * LAST_PIXEL, scope="reference"
    )
