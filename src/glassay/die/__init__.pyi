from .by_hand import Corrections, corrected
from .measure import DieResult, measure_die
from .outline import Outline
from .process import Process
from .rows import Pad, Row

__all__ = [
    "Corrections",
    "DieResult",
    "Outline",
    "Pad",
    "Process",
    "Row",
    "corrected",
    "measure_die",
]
