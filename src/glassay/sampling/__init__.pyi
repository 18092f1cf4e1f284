from .binding import Binding, Limit, detail_equivalent_pixels, what_binds
from .evidence import Evidence
from .native_result import NativeResult

__all__ = [
    "Binding",
    "Evidence",
    "Limit",
    "NativeResult",
    "detail_equivalent_pixels",
    "what_binds",
]
