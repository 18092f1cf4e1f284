from .calibrate import ASSUMED_TOLERANCE, Calibration, Division
from .measure import measure_scale
from .result import ScaleResult, Word

__all__ = [
    "ASSUMED_TOLERANCE",
    "Calibration",
    "Division",
    "ScaleResult",
    "Word",
    "measure_scale",
]
