from .by_hand import Corrections, corrected
from .measure import DieResult, measure_die
from .numbers import checked_number
from .outline import Outline
from .pointed import PointedOutline
from .process import Process
from .rows import Pad, Row

__all__ = [
    "Corrections",
    "DieResult",
    "Outline",
    "Pad",
    "PointedOutline",
    "Process",
    "Row",
    "checked_number",
    "corrected",
    "measure_die",
]
