"""Reading photos: every format alike, facts kept, bad files refused in one line."""

from __future__ import annotations

import hashlib
import io
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from glassay.errors import Unusable
from glassay.imaging import MAX_PIXELS, linear_to_srgb, memory, read_photo, srgb_to_linear
from glassay.imaging.decoding import BAND_ROWS
from glassay.imaging.jpeg_damage import DAMAGED

ANY_FILE = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def picture(height: int = 40, width: int = 60) -> np.ndarray:
    """An RGB picture without symmetry: red grows to the right, green downwards, blue constant."""
    y, x = np.mgrid[0:height, 0:width]
    return np.dstack([x * 4, y * 6, np.full_like(x, 90)]).astype(np.uint8)


@pytest.mark.parametrize("suffix", ["png", "bmp", "tif", "webp"])
def test_lossless_formats_give_the_pixels_back(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"photo.{suffix}"
    options: dict[str, Any] = {"lossless": True} if suffix == "webp" else {}
    Image.fromarray(picture()).save(path, **options)
    photo = read_photo(path)
    assert np.array_equal(photo.stored, picture())
    assert (photo.width, photo.height, photo.tone) == (60, 40, "srgb")


@pytest.mark.parametrize("mode", ["L", "RGB", "P", "RGBA", "CMYK", "1"])
def test_a_photo_taller_than_what_is_copied_at_a_time_is_whole(tmp_path: Path, mode: str) -> None:
    rng = np.random.default_rng(5)
    tall = Image.fromarray(rng.integers(0, 256, (2 * BAND_ROWS + 77, 23, 3), dtype=np.uint8))
    path = tmp_path / "tall.tif" if mode == "CMYK" else tmp_path / "tall.png"
    tall.convert(mode).save(path)
    with Image.open(path) as image:
        expected = np.asarray(image.convert("L" if mode in "L1" else "RGB"))
    assert np.array_equal(read_photo(path).stored, expected)


def test_lossy_formats_come_close(tmp_path: Path) -> None:
    Image.fromarray(picture()).save(tmp_path / "photo.jpg", quality=95, subsampling=0)
    pillow_heif.from_pillow(Image.fromarray(picture())).save(tmp_path / "photo.heic", quality=95)
    for name, kind in (("photo.jpg", "JPEG"), ("photo.heic", "HEIF")):
        photo = read_photo(tmp_path / name)
        assert photo.facts["format"] == kind
        assert np.abs(photo.stored.astype(int) - picture()).mean() < 4


def test_sixteen_bit_grey_is_linear_and_float_is_kept(tmp_path: Path) -> None:
    deep = (np.arange(2400, dtype=np.uint16) * 27).reshape(40, 60)
    tifffile.imwrite(tmp_path / "deep.tif", deep)
    Image.fromarray(deep).save(tmp_path / "deep.png")
    for name in ("deep.tif", "deep.png"):
        photo = read_photo(tmp_path / name)
        assert photo.tone == "linear"
        assert photo.linear_grey() == pytest.approx(deep / 65535, abs=1e-6)
    real = np.linspace(0, 3, 2400, dtype=np.float32).reshape(40, 60)
    tifffile.imwrite(tmp_path / "real.tif", real)
    assert np.array_equal(read_photo(tmp_path / "real.tif").linear_grey(), real)


def test_sixteen_bit_colour_is_srgb(tmp_path: Path) -> None:
    deep = picture().astype(np.uint16) * 257
    tifffile.imwrite(tmp_path / "deep.tif", deep, photometric="rgb")
    photo = read_photo(tmp_path / "deep.tif")
    assert photo.tone == "srgb"
    assert np.array_equal(photo.stored, deep)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_exif_orientation_is_turned_upright(tmp_path: Path, orientation: int) -> None:
    # EXIF 2.32, tag 0x0112; the inverse turns are those of Pillow's own exif_transpose.
    turned = {
        1: picture(), 2: picture()[:, ::-1], 3: picture()[::-1, ::-1], 4: picture()[::-1],
        5: picture().transpose(1, 0, 2), 6: np.rot90(picture(), 1),
        7: picture()[::-1, ::-1].transpose(1, 0, 2), 8: np.rot90(picture(), -1),
    }[orientation]  # fmt: skip
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x0110] = "An invented camera"
    path = tmp_path / "turned.png"
    Image.fromarray(np.ascontiguousarray(turned)).save(path, exif=exif)
    photo = read_photo(path)
    assert np.array_equal(photo.stored, picture())
    assert photo.facts["exif"]["Model"] == "An invented camera"


def test_the_srgb_curve_and_its_inverse() -> None:
    # IEC 61966-2-1: the two branches meet at 0.04045 / 0.0031308; 50 % grey is 0.2140 linear.
    assert float(srgb_to_linear(0.5)) == pytest.approx(0.21404, abs=1e-5)
    assert float(srgb_to_linear(0.04045)) == pytest.approx(0.0031308, rel=1e-4)
    ramp = np.linspace(0, 1, 1001)
    assert linear_to_srgb(srgb_to_linear(ramp)) == pytest.approx(ramp, abs=1e-6)


def test_grey_light_is_the_weighted_sum_of_linear_channels(tmp_path: Path) -> None:
    # ITU-R BT.709 weights
    Image.fromarray(picture()).save(tmp_path / "photo.png")
    photo = read_photo(tmp_path / "photo.png")
    linear = srgb_to_linear(picture() / 255)
    assert photo.linear_grey() == pytest.approx(linear @ [0.2126, 0.7152, 0.0722], abs=1e-5)
    assert photo.linear_channel(0) == pytest.approx(linear[..., 0], abs=1e-5)


def test_a_box_outside_the_photo_is_refused(tmp_path: Path) -> None:
    Image.fromarray(picture()).save(tmp_path / "photo.png")
    photo = read_photo(tmp_path / "photo.png")
    assert photo.crop((10, 5, 20, 30)).stored.shape == (30, 20, 3)
    for box in ((50, 0, 20, 10), (-1, 0, 5, 5), (0, 0, 0, 5), (0, 39, 5, 2)):
        with pytest.raises(Unusable, match="does not lie within"):
            photo.crop(box)


def test_the_file_is_never_touched(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    Image.fromarray(picture()).save(path)
    before = hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns
    read_photo(path)
    assert (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns) == before


# ---- bad files -----------------------------------------------------------------------------------


def refusal(path: Path) -> str:
    with pytest.raises(Unusable) as caught:
        read_photo(path)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_empty_missing_and_foreign_files(tmp_path: Path) -> None:
    (tmp_path / "empty.jpg").write_bytes(b"")
    (tmp_path / "text.jpg").write_text("this is no photo")
    (tmp_path / "clip.jpg").write_bytes(b"\0\0\0\x18ftypmp42" + bytes(100))
    assert "empty" in refusal(tmp_path / "empty.jpg")
    assert "no such file" in refusal(tmp_path / "missing.jpg")
    assert "not a photo" in refusal(tmp_path / "text.jpg")
    assert refusal(tmp_path / "clip.jpg")
    assert "folder" in refusal(tmp_path)


def photo_or_refusal(path: Path) -> None:
    """Either is right for damaged data; any other error, or a refusal of several lines, is not."""
    said = ""
    try:
        photo = read_photo(path)
    except Unusable as error:
        said = str(error)
    else:
        assert photo.linear_grey().shape == (photo.height, photo.width)
    assert "\n" not in said


@pytest.mark.parametrize("suffix", ["jpg", "png", "tif", "webp", "bmp", "heic"])
def test_truncated_files(tmp_path: Path, suffix: str) -> None:
    rng = np.random.default_rng(1)
    noise = rng.integers(0, 255, (200, 300, 3), dtype=np.uint8)
    path = tmp_path / f"photo.{suffix}"
    if suffix == "heic":
        pillow_heif.from_pillow(Image.fromarray(noise)).save(path)
    elif suffix == "tif":
        tifffile.imwrite(path, noise)
    else:
        Image.fromarray(noise).save(path)
    whole = path.read_bytes()
    for share in (0.5, 0.9):
        path.write_bytes(whole[: int(len(whole) * share)])
        assert path.name in refusal(path)


def test_a_mislabelled_photo_is_read_by_its_content(tmp_path: Path) -> None:
    Image.fromarray(picture()).save(tmp_path / "photo.png")
    (tmp_path / "photo.png").rename(tmp_path / "photo.jpg")
    photo = read_photo(tmp_path / "photo.jpg")
    assert photo.facts["format"] == "PNG"
    assert "the name says .jpg, the content is PNG" in photo.notes


def declared_png(path: Path, side: int, bits: int, colour: int) -> Path:
    """A PNG that says how large it is and holds nothing (PNG specification, 11.2.2)."""
    header = struct.pack(">IIBBBBB", side, side, bits, colour, 0, 0, 0)
    chunks = b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        for name, body in ((b"IHDR", header), (b"IDAT", zlib.compress(b"")), (b"IEND", b""))
    )
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunks)
    return path


def test_a_decompression_bomb_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    side = int((MAX_PIXELS * 2) ** 0.5)
    assert "megapixels" in refusal(declared_png(tmp_path / "bomb.png", side, 8, 0))


def test_a_photo_is_refused_that_takes_too_much_memory_to_decode(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 225 megapixels in 16-bit colour are 1.35 GB decoded; the file may be a thousandth of that.
    deep = declared_png(tmp_path / "deep.png", 15000, 16, 2)
    assert "of memory" in refusal(deep)
    # The same in 8 bit is a photo like others; this one is cut off.
    assert "damaged" in refusal(declared_png(tmp_path / "plain.png", 15000, 8, 0))
    small = declared_png(tmp_path / "small.png", 7000, 8, 2)
    monkeypatch.setattr(memory.os, "sysconf", lambda name: 1_000_000 if "PAGES" in name else 400)
    assert "more than the 0.2 GB" in refusal(small)


def test_decoding_stays_within_what_it_is_said_to_take(tmp_path: Path) -> None:
    # Each kind in a process of its own, whose peak the system tells.
    code = """
import resource, sys
import numpy, cv2
from glassay.imaging import read_photo
from glassay.imaging.memory import COPIES
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
photo = read_photo(sys.argv[1])
after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print((after - before) * 1024 / photo.stored.nbytes, COPIES)
"""
    rng = np.random.default_rng(0)
    for name, kind in (("deep.png", np.uint16), ("a.jpg", np.uint8), ("a.tif", np.uint16)):
        path = tmp_path / name
        stored = rng.integers(0, np.iinfo(kind).max, (2400, 3000, 3)).astype(kind)
        if name.endswith("tif"):
            tifffile.imwrite(path, stored)
        else:
            cv2.imwrite(str(path), stored)
        words = [sys.executable, "-c", code, str(path)]
        told = subprocess.run(words, capture_output=True, text=True, check=True)
        found, copies = (float(one) for one in told.stdout.split())
        # The file itself is held as well: noise does not compress.
        assert found < copies + 1 + path.stat().st_size / stored.nbytes


def test_tiffs_that_are_not_finite(tmp_path: Path) -> None:
    real = np.ones((40, 60), dtype=np.float32)
    real[:20] = np.nan
    tifffile.imwrite(tmp_path / "nan.tif", real)
    assert "NaN or infinite" in refusal(tmp_path / "nan.tif")
    tifffile.imwrite(tmp_path / "inf.tif", np.full((40, 60), np.inf, dtype=np.float32))
    assert "NaN or infinite" in refusal(tmp_path / "inf.tif")
    few = np.ones((40, 60), dtype=np.float32)
    few[3, 4] = np.inf
    tifffile.imwrite(tmp_path / "few.tif", few)
    photo = read_photo(tmp_path / "few.tif")
    assert np.isfinite(photo.linear_grey()).all()
    assert any("filled" in note for note in photo.notes)


def test_one_pixel_is_a_photo(tmp_path: Path) -> None:
    Image.new("RGB", (1, 1), (9, 9, 9)).save(tmp_path / "dot.png")
    assert read_photo(tmp_path / "dot.png").linear_grey().shape == (1, 1)


@ANY_FILE
@given(st.binary(max_size=400))
def test_any_bytes_are_a_photo_or_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "any.jpg"
    path.write_bytes(data)
    refusal(path)  # no byte string this short is a photo


HEADS = {
    "jpg": b"\xff\xd8\xff\xe0", "png": b"\x89PNG\r\n\x1a\n", "tif": b"II*\0", "big.tif": b"II+\0",
    "webp": b"RIFF\x40\0\0\0WEBPVP8 ", "bmp": b"BM", "heic": b"\0\0\0\x18ftypheic",
}  # fmt: skip


@ANY_FILE
@given(st.sampled_from(sorted(HEADS)), st.binary(max_size=300))
def test_any_bytes_behind_a_true_head_are_refused_cleanly(
    tmp_path: Path, kind: str, data: bytes
) -> None:
    path = tmp_path / f"any.{kind}"
    path.write_bytes(HEADS[kind] + data)
    photo_or_refusal(path)


@ANY_FILE
@given(
    st.sampled_from(["jpg", "png", "tif"]),
    st.lists(st.tuples(st.floats(0, 0.999), st.integers(0, 255)), min_size=1, max_size=6),
)
def test_damaged_bytes_never_escape_as_other_errors(
    tmp_path: Path, kind: str, damage: list[tuple[float, int]]
) -> None:
    path = tmp_path / f"damaged.{kind}"
    Image.fromarray(picture()).save(path)
    data = bytearray(path.read_bytes())
    for place, value in damage:
        data[int(place * len(data))] = value
    path.write_bytes(data)
    photo_or_refusal(path)


def jpeg(*, progressive: bool = False) -> bytes:
    grain = np.random.default_rng(3).integers(0, 255, (240, 320, 3)).astype(np.uint8)
    stream = io.BytesIO()
    Image.fromarray(grain).save(stream, "JPEG", quality=85, progressive=progressive)
    return stream.getvalue()


@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_damaged_in_its_middle_is_said_once(tmp_path: Path, progressive: bool) -> None:
    # The data of a scan are complete with its last block (ITU-T T.81, F.2.2 and B.1.1.5): what was
    # lost or put in on the way leaves bytes over at its end, or wanting.
    whole = jpeg(progressive=progressive)
    middle = len(whole) // 2
    noise = np.random.default_rng(4).integers(0, 255, 300).astype(np.uint8).tobytes()
    lost = whole[:middle] + whole[middle + 500 :]
    other = whole[:middle] + noise + whole[middle + 300 :]
    ended = whole[:middle] + b"\xff\xd9" + whole[middle + 2 :]
    path = tmp_path / "photo.jpg"
    for data in (lost, other, ended):
        path.write_bytes(data)
        assert [note for note in read_photo(path).notes if "damaged" in note] == [DAMAGED]


@pytest.mark.parametrize("progressive", [False, True])
def test_a_whole_jpeg_is_not_called_damaged(tmp_path: Path, progressive: bool) -> None:
    path = tmp_path / "photo.jpg"
    for data in (jpeg(progressive=progressive), jpeg(progressive=progressive) + bytes(100)):
        path.write_bytes(data)
        assert read_photo(path).notes == ()
    for size, mode in (((17, 9), "L"), ((8, 8), "RGB"), ((333, 5), "RGB")):
        Image.new(mode, size, 255 if mode == "L" else (255, 255, 255)).save(path, quality=100)
        assert read_photo(path).notes == ()


@pytest.mark.parametrize("mode", ["CMYK", "YCbCr"])
def test_a_tiff_of_inks_or_chroma_is_turned_into_light(mode: str, tmp_path: Path) -> None:
    """Inks were taken for light, and the black one for transparency: a negative, or a single shade."""
    rng = np.random.default_rng(2)
    colours = rng.integers(20, 235, (40, 50, 3)).astype(np.uint8)
    Image.fromarray(colours).convert(mode).save(tmp_path / "inks.tif")
    photo = read_photo(tmp_path / "inks.tif")
    assert np.abs(photo.stored.astype(int) - colours).max() <= 4
    assert photo.notes == ()


def test_a_tiff_of_colours_that_are_not_read_says_so(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "lab.tif", np.full((30, 40, 3), 90, np.uint8), photometric="cielab")
    with pytest.raises(Unusable, match="stored as CIELAB: save it as grey or RGB"):
        read_photo(tmp_path / "lab.tif")


def test_the_picture_of_a_tiff_is_not_the_thumbnail_before_it(tmp_path: Path) -> None:
    path = tmp_path / "pages.tif"
    with tifffile.TiffWriter(path) as file:
        file.write(picture(20, 30), photometric="rgb", subfiletype=1)
        file.write(picture(), photometric="rgb")
    photo = read_photo(path)
    assert np.array_equal(photo.stored, picture())
    assert photo.notes == ("the file holds several pictures; the largest is used",)
    with tifffile.TiffWriter(path) as file:
        for _ in range(2):
            file.write(picture(), photometric="rgb")
    assert read_photo(path).notes == ("the file holds several pictures; the first is used",)
