"""Through focus: contrast against place, depth of field, and how the picture walks meanwhile."""

import lazy_loader

# The names stand in `__init__.pyi`; what is behind one is loaded when it is first used.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
