"""Through focus: contrast against place, depth of field, and how the picture walks meanwhile."""

from glassay.focus.curve import Peak, find_peak
from glassay.focus.kept import depth_at, quality_at
from glassay.focus.result import FocusResult
from glassay.focus.run import METHOD_VERSION, measure_focus_run

__all__ = [
    "METHOD_VERSION",
    "FocusResult",
    "Peak",
    "depth_at",
    "find_peak",
    "measure_focus_run",
    "quality_at",
]
