"""How this process deals with memory that it has freed."""

from __future__ import annotations

import gc
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import cast

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
    mallopt = _of_c_library("mallopt")
    return mallopt is not None and bool(
        mallopt(M_MMAP_THRESHOLD, KEPT_BLOCK_MB << 20) and mallopt(M_TRIM_THRESHOLD, KEPT_MB << 20)
    )


def give_back_freed_memory(of_bytes: int) -> None:
    """Return to the system what is free in the heap, if arrays of so many bytes do not come from it:
    what a decoder of a large photo has freed would then never be used again."""
    if of_bytes > KEPT_BLOCK_MB << 20 and (trim := _of_c_library("malloc_trim")) is not None:
        trim(0)


def _of_c_library(name: str) -> Callable[..., int] | None:
    """A function that the GNU C library has and others do not."""
    if sys.platform != "linux":
        return None
    import ctypes

    try:
        return cast("Callable[..., int]", getattr(ctypes.CDLL(None), name))
    except (AttributeError, OSError):  # another C library
        return None


@contextmanager
def nothing_collected() -> Iterator[None]:
    """Without the search for cycles, of which what is read has none: a quarter of the time for 500
    captures."""
    if not gc.isenabled():
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
