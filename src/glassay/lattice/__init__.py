"""Pitch of whatever repeats, and the pixel array of an image sensor from photos of its die."""

from glassay.lattice.extent import Extent, find_extent
from glassay.lattice.measure import (
    METHOD_VERSION,
    ArrayResult,
    DiePicture,
    LatticeResult,
    count_along,
    count_findings,
    measure_array,
    measure_lattice,
    size_findings,
)

__all__ = [
    "METHOD_VERSION",
    "ArrayResult",
    "DiePicture",
    "Extent",
    "LatticeResult",
    "count_along",
    "count_findings",
    "find_extent",
    "measure_array",
    "measure_lattice",
    "size_findings",
]
