"""What changes across the field: light and colour, geometric distortion, lateral colour."""

from glassay.field.colour import measure_lateral_colour
from glassay.field.colour_result import LateralColour
from glassay.field.distortion import Distortion, measure_distortion
from glassay.field.distortion_fit import GridView, RulingView
from glassay.field.evenness import flat_correction, measure_evenness
from glassay.field.evenness_result import Evenness
from glassay.field.views import grid_view, ruling_view
from glassay.field.whole import PARTS, FieldPhoto, FieldResult, Part, measure_field

METHOD_VERSION = "1"
"""Part of the key under which results are kept; raised whenever a number may change."""

__all__ = [
    "METHOD_VERSION",
    "PARTS",
    "Distortion",
    "Evenness",
    "FieldPhoto",
    "FieldResult",
    "GridView",
    "LateralColour",
    "Part",
    "RulingView",
    "flat_correction",
    "grid_view",
    "measure_distortion",
    "measure_evenness",
    "measure_field",
    "measure_lateral_colour",
    "ruling_view",
]
