"""Whether the data of a JPEG fit its picture: damage that decoders pass over in silence."""

from __future__ import annotations

import io
import re

import numpy as np
import numpy.typing as npt
from PIL import Image

Pixels = npt.NDArray[np.uint8]

DAMAGED = "the JPEG data are damaged: part of the picture is not what was photographed"
"""The note of a photo whose data do not decode as they should."""

TAIL_BYTES = 6
"""How many bytes at the end of the data must matter to the picture. A block of a flat area takes 6
bits (DC and end of block, tables K.3 and K.5 of ITU-T T.81), so 48 bits are some blocks at most."""

BOTTOM_ROWS = 64
"""Rows at the end of the picture that are compared: four rows of the tallest blocks (16 px, with
chroma halved). A tail of `TAIL_BYTES` reaches into two of them at most, 64 px wide or more."""

_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
"""A marker that ends entropy-coded data: neither a stuffed zero, a restart nor a fill byte
(ITU-T T.81, B.1.1.2 and B.1.1.5)."""

_RESTARTS = b"\xff\xdd\x00\x04"
"""Where a restart interval is defined (B.2.4.4): decoders go on at the next one after an error."""

_BASELINE = (0xC0, 0xC1)
_PROGRESSIVE = 0xC2


def damage_note(data: bytes, decoded: Pixels) -> str | None:
    """A note when the data of a JPEG contradict themselves; None when not.

    `decoded` are its px as stored, (height, width) of grey or (height, width, 3) of colour.

    Two tests: a second decoder that stops at codes which do not exist or data that end early, and,
    in a picture stored in one scan, whether its data end with the picture: after damage, bytes are
    left over or some are wanting. Damage that leaves the count of blocks as it was stays unseen.
    """
    frame = _frame(data)
    if frame is None:
        return None
    kind, start = frame
    if kind in _BASELINE and _runs_out_with_the_picture(data, start):
        return None
    if _breaks_off(data):
        return DAMAGED
    if kind in _BASELINE and not _ends_with_the_picture(data, start, decoded):
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


def _runs_out_with_the_picture(data: bytes, start: int) -> bool:
    """Whether the data are all that the picture needs, and no byte more; False when that is not sure.

    No code consists of ones alone (ITU-T T.81, annex C), so a decoder that comes to a row of them
    stops. It must not where they stand behind the data, and must where they stand for the last
    bytes. What this does not settle (restarts, several scans) is looked at more closely.
    """
    end = _end_of_one_scan(data, start)
    if end is None or end - start <= TAIL_BYTES or _RESTARTS in data[:start]:
        return False
    ones = b"\xff\x00" * 4 * TAIL_BYTES + b"\xff\xd9"
    short = start + len(data[start:end].rstrip(b"\x00")) - TAIL_BYTES
    if short <= start or data[short - 1] == 0xFF or data[:2] != b"\xff\xd8":
        return False
    return not _breaks_off(data[:end] + ones) and _breaks_off(data[:short] + ones)


def _breaks_off(data: bytes) -> bool:
    import av
    from av.codec.context import ThreadType

    context = av.CodecContext.create("mjpeg", "r")
    context.thread_type, context.thread_count = ThreadType.NONE, 1
    context.options = {"err_detect": "explode", "lowres": "3"}  # codes alone matter, not the px
    try:
        context.decode(av.Packet(data))
    except av.error.InvalidDataError:
        return True
    except (av.error.FFmpegError, ValueError):  # a kind of JPEG that this decoder does not know
        return False
    return False


def _ends_with_the_picture(data: bytes, start: int, decoded: Pixels) -> bool:
    """Whether the last bytes matter to the picture, and bytes after them would not."""
    end = _end_of_one_scan(data, start)
    if end is None:
        return True
    # What follows the data, or is wanting in them, shows where the picture ends.
    bottom = decoded[-BOTTOM_ROWS:]
    more = data[:end] + b"\x55" * 4 * TAIL_BYTES + b"\xff\xd9"
    if not _decodes_to(more, bottom):
        return False
    end = start + len(data[start:end].rstrip(b"\x00"))  # some writers fill up with zeros
    if end - start <= TAIL_BYTES:
        return True
    return not all(
        _decodes_to(data[: end - TAIL_BYTES] + other * TAIL_BYTES + b"\xff\xd9", bottom)
        for other in (b"\x00", b"\x55", b"\xaa")
    )


def _end_of_one_scan(data: bytes, start: int) -> int | None:
    """Where the data of the only scan end; None where they are cut off, or there are several."""
    found = _MARKER.search(data, start)
    if found is None or data[found.start() + 1] != 0xD9:
        return None
    return start + len(data[start : found.start()].rstrip(b"\xff"))  # fill bytes


def _decodes_to(data: bytes, bottom: Pixels) -> bool:
    """Whether the data decode to a picture that ends in these rows."""
    try:
        again = Image.open(io.BytesIO(data))
        again.load()
    except Exception:  # decoders raise many kinds for damaged data
        return False
    rows = again.crop((0, again.height - len(bottom), again.width, again.height))
    return np.array_equal(np.asarray(rows), bottom)
