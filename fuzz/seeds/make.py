"""Small good inputs for each reader."""

from __future__ import annotations

import io
import json
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
import tifffile
from PIL import Image

from fuzz.workbench import GETS, POSTS
from glassay.bench.keeping.pack import MANIFEST
from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.results import MethodResult
from glassay.finding import Finding
from glassay.quantity import Quantity

HERE = Path(__file__).parent


def seeds_of(name: str) -> list[bytes]:
    """The seeds of one reader."""
    return list(_MAKERS[name]())


def _pixels(*shape: int) -> np.ndarray:
    return np.random.default_rng(0).integers(0, 256, shape).astype(np.uint8)


def _saved(pixels: np.ndarray, kind: str, **how: object) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, kind, **how)
    return stream.getvalue()


def _photos() -> Iterator[bytes]:
    grey, colour = _pixels(12, 16), _pixels(12, 16, 3)
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "Nobody"
    exif.get_ifd(0x8769)[0x829A] = (1, 60)
    yield _saved(grey, "JPEG")
    yield _saved(colour, "JPEG", progressive=True, exif=exif)
    yield _saved(colour, "JPEG", restart_marker_blocks=1)
    yield _saved(grey, "PNG")
    yield _saved(_pixels(12, 16, 4), "PNG")
    yield _saved(grey.astype(np.uint16) * 257, "PNG")
    yield _saved(grey > 99, "PNG")
    stream = io.BytesIO()
    Image.fromarray(colour).quantize(8).save(stream, "PNG", interlace=1)
    yield stream.getvalue()
    yield _saved(colour, "BMP")
    yield _saved(colour, "WEBP", lossless=True)
    yield _saved(colour, "WEBP")
    yield _saved(colour, "HEIF")
    yield from _tiffs(grey, colour)


def _tiffs(grey: np.ndarray, colour: np.ndarray) -> Iterator[bytes]:
    for pixels, how in (
        (grey, {}), (grey, {"compression": "lzw"}),
        (colour, {"compression": "zlib", "predictor": True}),
        (colour, {"compression": "jpeg"}), (colour, {"tile": (16, 16)}), (grey, {"bigtiff": True}),
        (np.moveaxis(colour, 2, 0), {"planarconfig": "separate", "photometric": "rgb"}),
        (grey.astype(np.float32), {"compression": "zstd"}), (grey, {"byteorder": ">"}),
        (grey, {"compression": "packbits"}), (grey > 99, {}),
        (grey, {"colormap": np.zeros((3, 256), np.uint16), "photometric": "palette"}),
        (grey.astype(np.int32), {"predictor": True, "compression": "zlib"}),
    ):  # fmt: skip
        stream = io.BytesIO()
        tifffile.imwrite(stream, pixels, **how)  # type: ignore[arg-type]
        yield stream.getvalue()


def _exifs() -> Iterator[bytes]:
    for orientation in (1, 6):
        exif = Image.Exif()
        exif[0x0112], exif[0x010F], exif[0x0132] = orientation, "Nobody", "2026:05:01 20:00:00"
        exif.get_ifd(0x8769)[0x829A] = (1, 60)
        exif.get_ifd(0x8825)[2] = (1.0, 2.0, 3.0)
        yield exif.tobytes()[6:]


def _clips() -> Iterator[bytes]:
    for suffix, codec in (("mp4", "mpeg4"), ("mp4", "libx264"), ("avi", "mjpeg"), ("mkv", "libx264"),
                          ("webm", "libvpx"), ("mov", "mjpeg"), ("mpg", "mpeg2video")):  # fmt: skip
        with tempfile.TemporaryDirectory() as room:
            path = Path(room) / f"a.{suffix}"
            with av.open(str(path), "w") as container:
                stream = container.add_stream(codec, rate=25)
                stream.width, stream.height = 32, 32
                stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
                for number in range(5):
                    frame = av.VideoFrame.from_ndarray(
                        np.full((32, 32, 3), 40 * number, np.uint8), format="rgb24"
                    )
                    container.mux(stream.encode(frame))
                container.mux(stream.encode())
            yield path.read_bytes()


def _documents() -> Iterator[bytes]:
    yield (HERE / "bench.toml").read_bytes()
    yield from (block.encode() for block in (HERE / "bench.toml").read_text().split("\n\n"))
    yield b'[bench]\ntitle = "A"\n'


def _marks() -> Iterator[bytes]:
    yield (
        b'[[mark]]\nid = "ab"\ncapture = "captures/a.png"\nkind = "distance"\n'
        b"points = [[1.0, 2.0], [30.5, 2.0]]\npointing_px = 0.5\ncount = 3\n"
    )
    yield (
        b'[[mark]]\nid = "cd"\ncapture = "a"\nkind = "area"\nnote = "x"\n'
        b"points = [[1, 2], [30, 2], [9, 40]]\npointing_px = [0.5, 0.5, 0.5]\n"
    )


def _units() -> Iterator[bytes]:
    yield from (b"10 um", "3.45 µm".encode(), b"0.7x to 4.5x", b"1920 x 1080", b"99 EUR", b"0.1 %",
                b"1/2.3 in", b"12 MP", b"1e3 nm", b"2.5 mm", b"450")  # fmt: skip


def _manifests() -> Iterator[bytes]:
    digest = "9b6f2a9a3dbe5ed5f5c3f2a4d7c3b63f90bb4b1b7dbb53e0b93d0f6fb5c2f6b1"
    files = [{"path": "bench.toml", "bytes": 8, "sha256": digest}]
    yield json.dumps({"format": 1, "versions": {"glassay": "0"}, "files": files}).encode()
    yield b'{"format": 2, "versions": {}, "files": []}'


def _archives() -> Iterator[bytes]:
    for manifest in _manifests():
        for method in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            stream = io.BytesIO()
            with zipfile.ZipFile(stream, "w", method) as archive:
                archive.writestr(MANIFEST, manifest)
                archive.writestr("bench.toml", "[bench]\n")
            yield stream.getvalue()


def _results() -> Iterator[bytes]:
    size = Quantity.of(1.5, 0.01, "um/px", "lines")
    findings = {"pixel_size": Finding(size, "ruled scale"), "mirrored": Finding(True, "repeat")}
    one = MethodResult("ruled scale", "measured", findings, ("a note",), evidence={"a": [1, 2]},
                       facts={"width": 640})  # fmt: skip
    yield json.dumps(to_plain(one)).encode()
    yield json.dumps(to_plain(MethodResult("edge", "refused", reason="no edge"))).encode()


def _contents() -> Iterator[bytes]:
    yield b'{"captures/a.png": [1, 2, 3, "' + b"0" * 64 + b'"]}'
    yield b"0" * 64 + b"  captures/a.png\n"


def _forms() -> Iterator[bytes]:
    posts = {
        "/edit/table": b"\nplace=instrument.0&origin=&note=x&name=y",
        "/edit/remove": b"\nplace=instrument.0.claim.0&origin=",
        "/capture/mark": b"\nid=captures/a.png&kind=distance&points=1,2%2020,2&pointing=0.5",
        "/capture/mark/change": b"\nid=captures/a.png&kind=area&points=1,2&pointing=1&mark=ab",
        "/capture/unmark": b"\nid=captures/a.png&mark=ab",
        "/upload": b'\n--x\r\ncontent-disposition: form-data; name="files"; filename="a.png"\r\n\r\n'
        b"abc\r\n--x--\r\n",
        "/upload/file": b"batch=0123456789abcdef&name=a.png\nabc",
        "/incoming": b"\nbatch=0123456789abcdef&shown=0&take-0=on&object-0=slide&place-0=pad|as is",
        "/live/frame": b"place=pad\n\xff\xd8\xff",
    }
    gets = {
        "/capture": b"id=captures/a.png", "/edit/table": b"place=instrument.0",
        "/tile": b"id=captures/a.png&level=9&x=0&y=0", "/thumb": b"id=captures/a.png",
        "/side-by-side": b"a=captures/a.png&b=captures/a.png", "/instrument": b"id=pad",
        "/incoming": b"batch=0123456789abcdef", "/filing": b"job=ab",
        "/capture/marks": b"id=captures/a.png", "/incoming/thumb": b"batch=ab&number=0",
    }  # fmt: skip
    for index, path in enumerate(POSTS):
        yield bytes([index]) + posts.get(path, b"\n")
    for index, path in enumerate(GETS, len(POSTS)):
        yield bytes([index]) + gets.get(path, b"")


_MAKERS = {
    "photo": _photos, "exif": _exifs, "clip": _clips, "outline": _clips, "bench": _documents,
    "marks": _marks, "units": _units, "archive": _archives, "manifest": _manifests,
    "result": _results, "contents": _contents, "forms": _forms,
}  # fmt: skip
