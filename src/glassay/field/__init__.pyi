from .colour import measure_lateral_colour
from .colour_result import LateralColour
from .distortion import Distortion, measure_distortion
from .distortion_fit import GridView, RulingView
from .evenness import flat_correction, measure_evenness
from .evenness_result import Evenness
from .views import grid_view, ruling_view
from .whole import PARTS, FieldPhoto, FieldResult, Part, measure_field

__all__ = [
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
