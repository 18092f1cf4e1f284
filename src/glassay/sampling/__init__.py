"""Native sampling: how many of a file's pixels the camera really delivered."""

from glassay.sampling.evidence import Evidence
from glassay.sampling.native import NativeResult, native

__all__ = ["Evidence", "NativeResult", "native"]
