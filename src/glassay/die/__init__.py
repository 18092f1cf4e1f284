"""A die in a photo or a mosaic: outline, bond pads, finest line and pitch, and what they tell.

from glassay.die import measure_die

found = measure_die(grey, Quantity.of(0.5, 0.001, "um/px"))
found.width, found.pads[0].x, found.findings()["finest_pitch"]
"""

import lazy_loader

# The names stand in `__init__.pyi`; what is behind one is loaded when it is first used.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
