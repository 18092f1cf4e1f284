"""Whether the data of a JPEG fit its picture: damage that decoders pass over in silence."""

from __future__ import annotations

import io
import re

import numpy as np
from PIL import Image

DAMAGED = "the JPEG data are damaged: part of the picture is not what was photographed"
"""The note of a photo whose data do not decode as they should."""

TAIL_BYTES = 6
"""How many bytes at the end of the data must matter to the picture. A block of a flat area takes 6
bits (DC and end of block, tables K.3 and K.5 of ITU-T T.81), so 48 bits are some blocks at most."""

_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
"""A marker that ends entropy-coded data: neither a stuffed zero, a restart nor a fill byte
(ITU-T T.81, B.1.1.2 and B.1.1.5)."""

_BASELINE = (0xC0, 0xC1)
_PROGRESSIVE = 0xC2


def damage_note(data: bytes, decoded: Image.Image) -> str | None:
    """A note when the data of a JPEG, already `decoded`, contradict themselves; None when not.

    Two tests: a second decoder that stops at codes which do not exist or data that end early, and,
    in a picture stored in one scan, whether bytes are left over at its end: after damage, the
    picture is complete too early. Damage that leaves the count of blocks as it was stays unseen.
    """
    frame = _frame(data)
    if frame is None or decoded.mode not in ("L", "RGB"):
        return None
    kind, start = frame
    if _breaks_off(data):
        return DAMAGED
    if kind in _BASELINE and _bytes_left_over(data, start, np.asarray(decoded)):
        return DAMAGED
    return None


def _frame(data: bytes) -> tuple[int, int] | None:
    """The marker of the frame, and where the first scan's data begin (ITU-T T.81, B.2)."""
    at, kind = 2, None
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            kind = marker
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        if marker == 0xDA:
            known = kind is not None and (kind in _BASELINE or kind == _PROGRESSIVE)
            return (kind, at) if known and kind is not None else None
    return None


def _breaks_off(data: bytes) -> bool:
    import av
    from av.codec.context import ThreadType

    context = av.CodecContext.create("mjpeg", "r")
    context.thread_type, context.thread_count = ThreadType.NONE, 1
    context.options = {"err_detect": "explode"}
    try:
        context.decode(av.Packet(data))
    except av.error.InvalidDataError:
        return True
    except (av.error.FFmpegError, ValueError):  # a kind of JPEG that this decoder does not know
        return False
    return False


def _bytes_left_over(data: bytes, start: int, decoded: np.ndarray) -> bool:
    found = _MARKER.search(data, start)
    if found is None:
        return False
    if data[found.start() + 1] == 0xDA or data[found.start() + 1] == 0xC4:  # several scans
        return False
    end = start + len(data[start : found.start()].rstrip(b"\x00\xff"))  # bytes that only fill
    if end - start <= TAIL_BYTES:
        return False
    for other in (b"\x00", b"\x55", b"\xaa"):
        changed = data[: end - TAIL_BYTES] + other * TAIL_BYTES + b"\xff\xd9"
        try:
            again = np.asarray(Image.open(io.BytesIO(changed)))
        except Exception:  # noqa: BLE001 - decoders raise many kinds; the bytes were needed
            return False
        if not np.array_equal(again, decoded):
            return False
    return True
