"""Native sampling: how many of a file's pixels the camera really delivered, and what binds."""

import lazy_loader

# The names stand in `__init__.pyi`; what is behind one is loaded when it is first used.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
