from .by_hand import Corrections, corrected
from .by_outline import TURNS, LaidByOutline, Mark, Turn, is_mirrored, lay_by_outline
from .measure import DieResult, measure_die, outline_in
from .numbers import checked_number
from .outline import Outline
from .pointed import PointedOutline
from .process import Process
from .rows import Pad, Row

__all__ = [
    "TURNS",
    "Corrections",
    "DieResult",
    "LaidByOutline",
    "Mark",
    "Outline",
    "Pad",
    "PointedOutline",
    "Process",
    "Row",
    "Turn",
    "checked_number",
    "corrected",
    "is_mirrored",
    "lay_by_outline",
    "measure_die",
    "outline_in",
]
