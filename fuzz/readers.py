"""One harness for each reader: bytes go in, and nothing but a stated refusal may come out.

A harness also holds what was read against what its reader promises; `AssertionError` is a find.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import math
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from glassay import units
from glassay.bench.document.edit import add_table, set_values
from glassay.bench.document.line_numbers import key_lines
from glassay.bench.document.read import parse_bench
from glassay.bench.keeping.check_pack import check
from glassay.bench.keeping.checksums import CHECKSUMS_FILE, read_checksums
from glassay.bench.keeping.marks import read_marks, work_out
from glassay.bench.keeping.pack import MANIFEST
from glassay.bench.keeping.store import Dependencies, Store
from glassay.errors import GlassayError
from glassay.imaging import clip, memory, photo
from glassay.imaging.outline import outline_of

Harness = Callable[[bytes, Path], None]
"""Reads the bytes; the folder is empty at first and the harness's own."""

SMALL_PX = 250_000
"""Pictures above this size are refused while fuzzing, or most of the time would go into filling
memory; `tests/ground` holds the true limits against bombs."""
FRAMES = 12
"""Frames of a clip that are decoded."""


@dataclass(frozen=True)
class Reader:
    """A reader under attack: its harness and the longest input that is tried."""

    read: Harness
    longest: int


@contextlib.contextmanager
def refusals() -> Iterator[None]:
    """Let pass what a reader may say."""
    with contextlib.suppress(GlassayError):
        yield


@contextlib.contextmanager
def small_pictures() -> Iterator[None]:
    """Only small pictures are decoded, as long as this lasts."""
    before = memory.MAX_PIXELS, clip.MAX_FRAME_PIXELS
    memory.MAX_PIXELS = clip.MAX_FRAME_PIXELS = SMALL_PX
    try:
        yield
    finally:
        memory.MAX_PIXELS, clip.MAX_FRAME_PIXELS = before


# ---- photos and clips ----------------------------------------------------------------------------


def _photo(data: bytes, folder: Path) -> None:
    path = folder / "photo"
    path.write_bytes(data)
    with refusals(), small_pictures():
        read = photo.read_photo(path)
        assert read.stored.dtype in (np.uint8, np.uint16, np.float32), read.stored.dtype
        assert read.stored.ndim == 2 or read.stored.shape[2] == 3, read.stored.shape
        assert np.isfinite(read.linear_grey()).all()
        assert read.measuring_grey().shape == (read.height, read.width)
        json.dumps(dict(read.facts), allow_nan=False)
    assert path.read_bytes() == data


def _exif(data: bytes, folder: Path) -> None:
    """The bytes as the EXIF block of a JPEG that is good apart from that."""
    block = b"Exif\0\0" + data[:65000]
    head = b"\xff\xd8\xff\xe1" + (len(block) + 2).to_bytes(2, "big")
    _photo(head + block + _small_jpeg()[2:], folder)


@cache
def _small_jpeg() -> bytes:
    stream = io.BytesIO()
    Image.fromarray(np.arange(192, dtype=np.uint8).reshape(12, 16)).save(stream, "JPEG")
    return stream.getvalue()


def _clip(data: bytes, folder: Path) -> None:
    path = folder / "clip"
    path.write_bytes(data)
    with refusals(), small_pictures():
        reader = clip.open_clip(path)
        with contextlib.closing(reader.frames()) as frames:
            for number, frame in enumerate(frames):
                assert frame.luma.ndim == 2, frame.luma.shape
                assert frame.time_s is None or math.isfinite(frame.time_s)
                if number == 0:
                    assert np.isfinite(frame.linear_grey()).all()
                    assert frame.stored().shape[2] == 3
                if number >= FRAMES:
                    break


def _outline(data: bytes, folder: Path) -> None:
    path = folder / "clip"
    path.write_bytes(data)
    with refusals():
        outline_of(path)


# ---- documents -----------------------------------------------------------------------------------


def _document(data: bytes, folder: Path) -> None:
    text = data.decode("utf-8", "replace")
    captures = folder / "captures"
    if not captures.exists():
        captures.mkdir()
        (captures / "a.png").write_bytes(b"x")
    with refusals():
        bench = parse_bench(text, folder)
        assert key_lines(text) is not None
        _edited(text, bench.title, folder)


def _edited(text: str, title: str, folder: Path) -> None:
    with refusals():
        after = set_values(text, ("bench",), {"title": f"{title}!"})
        assert parse_bench(after, folder).title == f"{title}!"
    with refusals():
        after = add_table(text, (), "object", {"id": "one-more", "kind": "chip"})
        assert parse_bench(after, folder).objects[-1].id == "one-more"


def _marks(data: bytes, folder: Path) -> None:
    (folder / "marks.toml").write_bytes(data)
    with refusals():
        for mark in read_marks(folder):
            with refusals():
                assert math.isfinite(work_out(mark, None).value)


def _units(data: bytes, folder: Path) -> None:
    text = data.decode("utf-8", "replace")
    for parse in (units.parse_length_um, units.parse_fraction, units.parse_factor):
        with refusals():
            assert math.isfinite(parse(text)), (parse, text)
    for pairs in (units.parse_money, units.parse_factor_range, units.parse_pixels):
        with refusals():
            assert len(pairs(text)) == 2  # type: ignore[operator]
    with refusals():
        assert math.isfinite(units.parse_megapixels(text))


# ---- archives and results ------------------------------------------------------------------------


def _archive(data: bytes, folder: Path) -> None:
    path = folder / "a.zip"
    path.write_bytes(data)
    with refusals():
        check(path, measure=False)


def _manifest(data: bytes, folder: Path) -> None:
    """The bytes as the manifest of an archive that is good apart from that."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr(MANIFEST, data)
        archive.writestr("bench.toml", "[bench]\n")
    _archive(stream.getvalue(), folder)


_NEEDS = Dependencies(("0" * 64,), "ruled scale", "1", {})


def _result(data: bytes, folder: Path) -> None:
    """The bytes as the body of a kept result whose key and checksum are right."""
    with contextlib.suppress(ValueError, RecursionError):
        body = json.loads(data)
        text = json.dumps(body, sort_keys=True)
        whole = {"key": _NEEDS.key, "result": body,
                 "checksum": hashlib.sha256(text.encode()).hexdigest()}  # fmt: skip
        data = json.dumps(whole).encode()
    (folder / "measured").mkdir(exist_ok=True)
    (folder / "measured" / f"{_NEEDS.key}.json").write_bytes(data)
    found = Store(folder).load(_NEEDS)
    if found is not None:
        assert found.status in ("measured", "refused", "unusable", "nothing found", "not run",
                                "no method"), found.status  # fmt: skip
        assert isinstance(found.evidence, Mapping)
        assert isinstance(found.facts, Mapping)
        json.dumps({k: f.as_json() for k, f in found.findings.items()}, allow_nan=False)


def _contents(data: bytes, folder: Path) -> None:
    (folder / "contents.json").write_bytes(data)
    (folder / CHECKSUMS_FILE).write_bytes(data)
    with refusals():
        (got,) = Store(folder).contents((folder / CHECKSUMS_FILE,))
        assert got == hashlib.sha256(data).hexdigest()
    assert all(len(value) == 64 for value in read_checksums(folder).values())


# ---- the workbench's forms -----------------------------------------------------------------------


def _forms(data: bytes, folder: Path) -> None:
    from fuzz import workbench

    workbench.ask(data, folder)


READERS: Mapping[str, Reader] = {
    "photo": Reader(_photo, 20_000),
    "exif": Reader(_exif, 2_000),
    "clip": Reader(_clip, 30_000),
    "outline": Reader(_outline, 4_000),
    "bench": Reader(_document, 4_000),
    "marks": Reader(_marks, 2_000),
    "units": Reader(_units, 60),
    "archive": Reader(_archive, 8_000),
    "manifest": Reader(_manifest, 2_000),
    "result": Reader(_result, 4_000),
    "contents": Reader(_contents, 2_000),
    "forms": Reader(_forms, 1_000),
}
"""Every reader by name. `outline` reads the boxes of a clip's container, `units` a number with its
unit, `contents` the checksums that a bench keeps."""


def read(name: str, data: bytes, folder: Path) -> Any:
    """Hand bytes to a reader. Raises what the reader should not have."""
    return READERS[name].read(data, folder)
