from .array_findings import count_along, count_findings, size_findings
from .extent import Extent, find_extent
from .measure import ArrayResult, DiePicture, measure_array
from .pitch import LatticeResult, measure_lattice

__all__ = [
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
