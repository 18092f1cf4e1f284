"""What changes across the field: light and colour, geometric distortion, lateral colour."""

from glassay.field.colour import LateralColour, measure_lateral_colour
from glassay.field.distortion import Distortion, GridView, RulingView, measure_distortion
from glassay.field.evenness import Evenness, flat_correction, measure_evenness
from glassay.field.views import view_of

__all__ = [
    "Distortion",
    "Evenness",
    "GridView",
    "LateralColour",
    "RulingView",
    "flat_correction",
    "measure_distortion",
    "measure_evenness",
    "measure_lateral_colour",
    "view_of",
]
