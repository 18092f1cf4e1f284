"""Optical formats: the inch types by which image sensors are sold."""

from __future__ import annotations

FORMATS_MM: dict[str, float] = {
    "1/13": 1.37, "1/10": 1.8, "1/9": 2.0, "1/8": 2.25, "1/7.5": 2.4, "1/7": 2.6, "1/6": 3.0,
    "1/5": 3.6, "1/4": 4.5, "1/3.6": 5.0, "1/3.2": 5.68, "1/3": 6.0, "1/2.9": 6.23, "1/2.7": 6.7,
    "1/2.5": 7.18, "1/2.3": 7.7, "1/2": 8.0, "1/1.8": 8.9, "1/1.7": 9.5, "2/3": 11.0, "1/1.2": 13.3,
    "1": 16.0, "4/3": 21.6, "APS-C": 28.2, "35 mm film": 43.3,
}  # fmt: skip
"""Diagonals of the active area (common practice, no source). The inch of these names is that of a
camera tube around the picture: about 16 mm of diagonal, 18 mm for the smaller ones."""

NEAR = 0.07
"""Relative difference beyond which a diagonal has no usual format."""


def format_of(diagonal_mm: float) -> str | None:
    """The usual name for a sensor of that diagonal, like "1/4 inch type"; None where there is none.

    `diagonal_mm` is that of the active area. Near the border between two formats the nearer one is
    named.
    """
    name = min(FORMATS_MM, key=lambda one: abs(FORMATS_MM[one] / diagonal_mm - 1))
    if abs(FORMATS_MM[name] / diagonal_mm - 1) > NEAR:
        return None
    return f"{name} inch type" if name[0].isdigit() and "film" not in name else name
