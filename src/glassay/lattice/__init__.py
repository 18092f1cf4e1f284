"""Pitch of whatever repeats, and the pixel array of an image sensor from photos of its die."""

from glassay.lattice.measure import (
    METHOD_VERSION,
    ArrayResult,
    DiePicture,
    LatticeResult,
    measure_array,
    measure_lattice,
)

__all__ = [
    "METHOD_VERSION",
    "ArrayResult",
    "DiePicture",
    "LatticeResult",
    "measure_array",
    "measure_lattice",
]
