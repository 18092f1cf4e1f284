from .curve import Peak, find_peak
from .kept import depth_at, quality_at
from .result import FocusResult
from .run import measure_focus_run

__all__ = [
    "FocusResult",
    "Peak",
    "depth_at",
    "find_peak",
    "measure_focus_run",
    "quality_at",
]
