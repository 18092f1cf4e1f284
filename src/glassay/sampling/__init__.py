"""Native sampling: how many of a file's pixels the camera really delivered, and what binds."""

from glassay.sampling.binding import Binding, Limit, detail_equivalent_pixels, what_binds
from glassay.sampling.evidence import Evidence
from glassay.sampling.native import native
from glassay.sampling.native_result import NativeResult

__all__ = [
    "Binding",
    "Evidence",
    "Limit",
    "NativeResult",
    "detail_equivalent_pixels",
    "native",
    "what_binds",
]
