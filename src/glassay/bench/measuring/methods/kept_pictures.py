"""Pictures kept with results, which are JSON: files as text."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np


def as_text(kind: str, pixels: Any, options: Sequence[int] = ()) -> str:
    """8 bits, grey or B, G, R, as a picture file of the kind that a suffix names, in base64."""
    _, data = cv2.imencode(kind, np.ascontiguousarray(pixels), list(options))
    return base64.b64encode(data.tobytes()).decode()
