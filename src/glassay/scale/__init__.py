"""Pixel size and field from a photo of a ruled scale, a crossed grid or a dot grid."""

from glassay.scale.calibrate import ASSUMED_TOLERANCE, Calibration, Division, calibrate
from glassay.scale.measure import METHOD_VERSION, measure_scale
from glassay.scale.result import ScaleResult, Word

__all__ = [
    "ASSUMED_TOLERANCE",
    "METHOD_VERSION",
    "Calibration",
    "Division",
    "ScaleResult",
    "Word",
    "calibrate",
    "measure_scale",
]
