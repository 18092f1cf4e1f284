"""Versions of the ways to measure.

Each is raised when the same photos may give another number, so that kept results are measured
again. They stand here and not beside their methods because a bench that only asks what is still
valid must not load every method for it: that took a second and a half.
"""

from __future__ import annotations

from typing import Final

ARRAY: Final = "10"
CLIP: Final = "9"
DETAIL: Final = "19"
DIE: Final = "12"
FIELD: Final = "4"
FINER_INSTRUMENT: Final = "7"
FOCUS: Final = "6"
LINES: Final = "19"
MATCH: Final = "6"
MOSAIC: Final = "6"
NOISE: Final = "6"
SCALE: Final = "14"
STACK: Final = "6"
WIRING: Final = "9"
