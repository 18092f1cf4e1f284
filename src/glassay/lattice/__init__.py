"""Pitch of whatever repeats, and the pixel array of an image sensor from photos of its die."""

from glassay.lattice.extent import Extent, find_extent
from glassay.lattice.measure import (
    METHOD_VERSION,
    ArrayResult,
    DiePicture,
    count_along,
    count_findings,
    measure_array,
    size_findings,
)
from glassay.lattice.pitch import LatticeResult, measure_lattice

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
