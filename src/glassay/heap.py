"""How this process deals with memory that it has freed."""

from __future__ import annotations

import sys

KEPT_BLOCK_MB = 128
"""Arrays up to here come from the heap, whose freed parts the next array takes: a 12-megapixel picture
as 32-bit numbers has 48 MB. Larger ones are given back when they are freed."""
KEPT_MB = 512
"""Free memory at the heap's end that is kept."""

M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3
"""Parameters of mallopt(3), as <malloc.h> of the GNU C library numbers them."""


def keep_freed_memory() -> bool:
    """Let later arrays use the memory of earlier ones, where the C library is GNU's; whether it is.

    It gives arrays of megabytes back to the system when they are freed and asks for them anew, and the
    system fills each page with zeros first: a tenth to a third of the time of measuring a photo
    (docs/speed.md). Peak memory grows by some 5 %.
    """
    if sys.platform != "linux":
        return False
    import ctypes

    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError):  # another C library
        return False
    return bool(
        mallopt(M_MMAP_THRESHOLD, KEPT_BLOCK_MB << 20) and mallopt(M_TRIM_THRESHOLD, KEPT_MB << 20)
    )
