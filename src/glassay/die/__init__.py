"""A die in a photo or a mosaic: outline, bond pads, finest line and pitch, and what they tell.

from glassay.die import measure_die

found = measure_die(grey, Quantity.of(0.5, 0.001, "um/px"))
found.width, found.pads[0].x, found.findings()["finest_pitch"]
"""

from glassay.die.by_hand import Corrections, corrected
from glassay.die.measure import METHOD_VERSION, DieResult, measure_die
from glassay.die.outline import Outline
from glassay.die.pointed import PointedOutline
from glassay.die.process import Process
from glassay.die.rows import Pad, Row

__all__ = [
    "METHOD_VERSION",
    "Corrections",
    "DieResult",
    "Outline",
    "Pad",
    "PointedOutline",
    "Process",
    "Row",
    "corrected",
    "measure_die",
]
