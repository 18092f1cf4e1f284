"""Files made to exhaust or hang whoever reads them: refused, by a child that may die alone."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from glassay.bench.keeping.filing import check_source
from glassay.errors import Unusable
from glassay.imaging import apart, read_photo
from glassay.imaging.apart import check_apart


def tiff(path: Path, strip: bytes, compression: int, side: int, depth: int = 1) -> Path:
    """A grey TIFF of one strip that declares `side` x `side` px (TIFF 6.0; the depth of a volume is
    tag 32997, from memory)."""
    tags = [(256, 4, side), (257, 4, side), (258, 3, 8), (259, 3, compression), (262, 3, 1),
            (273, 4, 0), (277, 3, 1), (278, 4, side), (279, 4, len(strip)),
            (32997, 4, depth)]  # fmt: skip
    at = 8 + 2 + 12 * len(tags) + 4
    entries = (struct.pack("<HHII", tag, kind, 1, at if tag == 273 else value)
               for tag, kind, value in tags)  # fmt: skip
    ifd = struct.pack("<H", len(tags)) + b"".join(entries) + bytes(4)
    path.write_bytes(b"II*\0" + struct.pack("<I", 8) + ifd + strip)
    return path


def jpeg(side: int, **how: object) -> bytes:
    stream = io.BytesIO()
    Image.new("L", (side, side), 128).save(stream, "JPEG", **how)
    return stream.getvalue()


def test_a_volume_counts_with_all_its_planes(tmp_path: Path) -> None:
    deep = tiff(tmp_path / "a.tif", zlib.compress(bytes(100)), 8, 2000, depth=1000)
    with pytest.raises(Unusable, match="of memory"):
        read_photo(deep)


def test_a_picture_far_larger_than_declared_is_refused(tmp_path: Path) -> None:
    small = jpeg(16)
    at = small.index(b"\xff\xc0") + 5  # height and width of the frame (ITU-T T.81, B.2.2)
    huge = small[:at] + struct.pack(">HH", 65000, 65000) + small[at + 4 :]
    with pytest.raises(Unusable, match=r"a\.tif"):
        check_apart(tiff(tmp_path / "a.tif", huge, 7, 16))


def test_a_picture_that_takes_hours_is_given_up(tmp_path: Path) -> None:
    # Each scan of a progressive JPEG is a pass over the whole picture, for some bytes of the file.
    whole = jpeg(2000, progressive=True)
    scan = whole[whole.rindex(b"\xff\xda") : -2]
    slow = tmp_path / "slow.jpg"
    slow.write_bytes(whole[:-2] + 20_000 * scan + b"\xff\xd9")
    with pytest.raises(Unusable, match=r"slow\.jpg: decoding it takes longer than 1 s"):
        check_apart(slow, seconds=1.0)


def test_a_decoder_that_crashes_takes_nothing_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = tmp_path / "good.png"
    Image.fromarray(np.zeros((8, 8), np.uint8)).save(good)
    apart._child._end()
    with monkeypatch.context() as patched:
        patched.setattr(apart, "ITSELF", ("-c", "import os; input(); os.abort()"))
        with pytest.raises(Unusable, match="ended the process"):
            check_source(good)
    check_source(good)  # the next one has a child of its own again
    (tmp_path / "no.png").touch()
    with pytest.raises(Unusable, match=r"no\.png: the file is empty"):
        check_source(tmp_path / "no.png")
