"""Pitch of whatever repeats, and the pixel array of an image sensor from photos of its die."""

import lazy_loader

# The names stand in `__init__.pyi`; what is behind one is loaded when it is first used.
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
