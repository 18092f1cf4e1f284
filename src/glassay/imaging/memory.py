"""How much memory decoding a photo needs, told from its head before anything is decoded.

A small file may declare a large picture: a PNG of 1.3 MB holds 15000 x 15000 px of 16-bit colour.
"""

from __future__ import annotations

import contextlib
import os
import sys

from glassay.errors import Unusable

MAX_PIXELS = 400_000_000
"""Largest picture that is decoded; more than 300-megapixel photos exist."""

MAX_DECODING_BYTES = 3_100_000_000
"""Most memory that decoding may take: 300 megapixels in 8-bit colour, 150 in 16-bit colour."""

SHARE_OF_MEMORY = 0.5
"""And at most so much of this computer's memory, since measuring needs as much again."""

COPIES = 3.4
"""Memory at the peak over that of the decoded picture: the decoder's own copy, the channels put in
order and the picture turned upright. Measured on 16-megapixel PNGs: 3.4 in 8-bit colour, 3.1 in 16-bit
grey, 2.7 in 16-bit colour, 2.5 with transparency."""


def check_size(width: int, height: int, bytes_per_px: int) -> None:
    """Raise `Unusable` for a picture too large to decode. `bytes_per_px` of it as it is stored: the
    samples of all channels, transparency included."""
    if width * height > MAX_PIXELS:
        raise Unusable(
            f"{width} x {height} px is more than the {MAX_PIXELS // 10**6} megapixels that are read"
        )
    needs, most = COPIES * width * height * bytes_per_px, decoding_limit()
    if needs > most:
        raise Unusable(
            f"decoding {width} x {height} px of {8 * bytes_per_px} bits each takes"
            f" {needs / 1e9:.1f} GB of memory, more than the {most / 1e9:.1f} GB that it may"
        )


def decoding_limit() -> float:
    """Bytes that decoding one photo may take on this computer."""
    memory = _of_this_computer()
    return (
        MAX_DECODING_BYTES if memory is None else min(MAX_DECODING_BYTES, SHARE_OF_MEMORY * memory)
    )


def _of_this_computer() -> int | None:
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):  # a system that does not say
        return None


MOST_OF_MEMORY = 0.9
"""Share of this computer's memory that a measuring process may take: beyond it the system would end
some process of its own choice."""


def limit_memory(most: int | None = None) -> None:
    """Let this process take so many bytes at most, by default `MOST_OF_MEMORY`; what wants more gets a
    MemoryError. Where the system knows no such limit, nothing happens."""
    memory = _of_this_computer()
    if most is None and memory is not None:
        most = int(MOST_OF_MEMORY * memory)
    if most is None or sys.platform != "linux":  # elsewhere mappings are not counted as data
        return
    import resource

    hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
    allowed = most if hard == resource.RLIM_INFINITY else min(most, hard)
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_DATA, (allowed, hard))
