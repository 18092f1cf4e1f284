"""What a drawn photo says of how it was stored."""

from __future__ import annotations

import io
from typing import Any

from PIL import Image


def tables_of(jpeg: bytes | None) -> dict[int, Any]:
    """The quantisation tables of a JPEG file's bytes, which must be there."""
    assert jpeg is not None
    return dict(Image.open(io.BytesIO(jpeg)).quantization)  # type: ignore[attr-defined]
