"""The outermost structure of a clip's file: whether it is complete, without decoding anything.

Containers wrap their content in parts that state their own length. A part that reaches beyond the
end of the file tells that the file was cut off, whatever a decoder makes of the rest.
Sources: ISO/IEC 14496-12 (boxes of MP4 and MOV), RFC 8794 and RFC 9559 (EBML and Matroska
elements), the RIFF chunks of AVI (from memory).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

MAX_PARTS = 1_000_000
"""Outermost parts that are looked at: a fragmented clip has a few for each second."""

_SEGMENT, _EBML, _UNKNOWN = 0x18538067, 0x1A45DFA3, -1
_BOXES = {b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"moof", b"styp", b"sidx", b"pnot",
          b"uuid", b"meta", b"mfra", b"emsg", b"prft", b"udta"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Outline:
    """`is_cut`: a part reaches beyond the end of the file. `is_unfinished`: the writer left lengths
    open that it fills in at the end. `lacks_index`: there is no index, and none can be read
    without. All False for files of another structure."""

    is_cut: bool = False
    is_unfinished: bool = False
    lacks_index: bool = False


def outline_of(path: Path) -> Outline:
    """The outline of a file of any kind."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(16)
        file.seek(0)
        if head[4:8] in _BOXES:
            return _of_boxes(file, size)
        if head[:4] == b"RIFF":
            return _of_riff(file, size)
        if head[:4] == _EBML.to_bytes(4, "big"):
            return _of_matroska(file, size)
    return Outline()


def _of_boxes(file: BinaryIO, size: int) -> Outline:
    place, kinds = 0, set()
    for _ in range(MAX_PARTS):
        if place == size:
            break
        file.seek(place)
        head = file.read(16)
        if len(head) < 8:
            return Outline(True, lacks_index=b"moov" not in kinds)
        length, kind = struct.unpack(">I4s", head[:8])
        if length == 1 and len(head) == 16:
            length = struct.unpack(">Q", head[8:])[0]
        elif length == 0:  # to the end of the file
            length = size - place
        if length < 8:
            break
        if kind != b"moov" or place + length <= size:  # half an index is none
            kinds.add(kind)
        place += length
        if place > size:
            return Outline(True, lacks_index=b"moov" not in kinds)
    return Outline(lacks_index=b"moov" not in kinds, is_unfinished=b"moov" not in kinds)


def _of_riff(file: BinaryIO, size: int) -> Outline:
    place, unfinished = 0, False
    while place + 8 <= size:  # files beyond 1 GB have several RIFF parts
        file.seek(place)
        head = file.read(12)
        if head[:4] != b"RIFF":
            break
        length = struct.unpack("<I", head[4:8])[0]
        if length == 0 or length == 0xFFFFFFFF:
            unfinished = True
            break
        place += 8 + length + length % 2
        # an odd last byte may be missing
        if place > size + 1:
            return Outline(True)
    return Outline(is_unfinished=unfinished, is_cut=unfinished)


def _of_matroska(file: BinaryIO, size: int) -> Outline:
    place = 0
    unfinished = False
    for _ in range(MAX_PARTS):
        if place >= size:
            break
        file.seek(place)
        kind, length, body = _element(file)
        if kind == 0:
            return Outline(True, unfinished)
        if length == _UNKNOWN:
            unfinished = True
            if kind != _SEGMENT:  # a cluster of open length: its end cannot be told
                return Outline(False, unfinished)
            place = body
        elif kind == _SEGMENT:
            return Outline(body + length > size, unfinished)
        else:
            place = body + length
    return Outline(place > size, unfinished)


def _element(file: BinaryIO) -> tuple[int, int, int]:
    """Identity (0 at the end), length (-1: open) and place of the body of an EBML element."""
    first = file.read(1)
    if not first or not first[0]:
        return 0, 0, 0
    width = 9 - first[0].bit_length()
    rest = file.read(width - 1)
    lead = file.read(1)
    if len(rest) < width - 1 or not lead or not lead[0]:
        return 0, 0, 0
    kind = int.from_bytes(first + rest, "big")
    long = 9 - lead[0].bit_length()
    tail = file.read(long - 1)
    if len(tail) < long - 1:
        return 0, 0, 0
    length = int.from_bytes(lead + tail, "big") & ((1 << 7 * long) - 1)
    if length == (1 << 7 * long) - 1:
        length = _UNKNOWN
    return kind, length, file.tell()
