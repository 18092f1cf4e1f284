"""Reading a photo from a file: pixels upright, facts kept, limits named, the file never touched."""

from __future__ import annotations

import io
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pillow_heif
import tifffile
from PIL import ExifTags, Image, UnidentifiedImageError

from glassay.distortion import Frame
from glassay.errors import Unusable
from glassay.imaging.jpeg_damage import damage_note
from glassay.imaging.memory import check_size
from glassay.imaging.tone import (
    LUMINANCE_WEIGHTS,
    OTHER_TONES,
    FloatImage,
    Relight,
    StoredImage,
    Tone,
    linear_table,
)

pillow_heif.register_heif_opener()

MAX_FILE_BYTES = 4_000_000_000
"""Largest photo file that is read: an uncompressed 16-bit colour TIFF of 400 megapixels fits."""

FEW_NONFINITE = 0.01
"""Share of NaN or infinite pixels that is filled in (with the median) rather than refused."""

_FORMATS = ("JPEG", "PNG", "WEBP", "BMP", "HEIF", "TIFF")  # multi-picture JPEG opens as JPEG


@dataclass(frozen=True)
class Photo:
    """A decoded photo, upright.

    `stored` has shape (height, width) or (height, width, 3), in R, G, B order, with dtype uint8,
    uint16 or float32, exactly as decoded. `tone` says how stored values relate to linear light.
    `facts` are the file's own statements: format, bits, stored size before rotation, EXIF fields.
    """

    path: Path
    stored: StoredImage
    tone: Tone
    facts: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    frame_of_whole: Frame | None = None
    """The frame of the photo that this is a part of, in px of the part; None for a whole photo."""
    tone_stated: bool = False
    """Whether someone who knows the camera said what `tone` is. No file says it: a colour profile
    tells how a display has to show the values, not how the camera made them of light."""

    @property
    def frame(self) -> Frame:
        """Where the lens's axis lies: in the middle of the photo, of which this may be a part."""
        return self.frame_of_whole or Frame.of(self.stored.shape)

    @property
    def height(self) -> int:
        """Height in px of the upright photo."""
        return int(self.stored.shape[0])

    @property
    def width(self) -> int:
        """Width in px of the upright photo."""
        return int(self.stored.shape[1])

    @property
    def is_colour(self) -> bool:
        """Whether there are three channels."""
        return self.stored.ndim == 3

    @property
    def full_scale(self) -> float:
        """The stored value at which the camera clips (1 for floating-point photos)."""
        kind = self.stored.dtype
        return float(np.iinfo(kind).max) if kind.kind == "u" else 1.0

    @property
    def other_tones(self) -> tuple[Relight, ...]:
        """What the light may be instead, where the usual tone curve was only assumed."""
        return () if self.tone_stated or self.tone != "srgb" else OTHER_TONES

    def crop(self, box: tuple[int, int, int, int]) -> Photo:
        """The part `box` = (x, y, width, height) in px of the upright photo (a view, no copy).

        Raises `Unusable` when the box does not lie within the photo.
        """
        x, y, w, h = box
        if w < 1 or h < 1 or x < 0 or y < 0 or x + w > self.width or y + h > self.height:
            raise Unusable(
                f"the box {x},{y},{w},{h} does not lie within the photo"
                f" of {self.width} x {self.height} px"
            )
        stored = self.stored[y : y + h, x : x + w]
        return replace(self, stored=stored, frame_of_whole=self.frame.seen_from(x, y))

    def at_full_scale(self) -> npt.NDArray[np.bool_]:
        """Where any channel is at its largest value, (height, width): light beyond is lost there.

        All False for floating-point photos, which state no largest value.
        """
        if self.stored.dtype.kind == "f":
            return np.zeros((self.height, self.width), dtype=np.bool_)
        top = np.iinfo(self.stored.dtype).max
        if not self.is_colour:
            return np.asarray(self.stored == top)
        red, green, blue = (self.stored[..., index] == top for index in range(3))
        return np.asarray(red | green | blue)

    def linear_channel(self, index: int) -> FloatImage:
        """Channel 0 (red), 1 (green) or 2 (blue) in linear light, (height, width), 0..1."""
        plane = self.stored[..., index] if self.is_colour else self.stored
        return self._to_linear(plane, 1.0)

    def linear_grey(self) -> FloatImage:
        """Luminance in linear light (ITU-R BT.709 weights), (height, width), 0..1."""
        if not self.is_colour:
            return self._to_linear(self.stored, 1.0)
        grey = self._to_linear(self.stored[..., 0], LUMINANCE_WEIGHTS[0])
        for index in (1, 2):
            grey += self._to_linear(self.stored[..., index], LUMINANCE_WEIGHTS[index])
        return grey

    def linear_light(self) -> FloatImage:
        """All channels in linear light, (height, width, 3), or (height, width) of a grey photo."""
        if not self.is_colour:
            return self.linear_grey()
        return np.stack([self.linear_channel(index) for index in range(3)], axis=2)

    def measuring_grey(self) -> FloatImage:
        """The grey picture in which positions are measured, linear light, (height, width), 0..1.

        That is the green channel: red and blue are magnified a little differently by most lenses,
        and lateral chromatic displacement is stated against green (ISO 19084, from memory). In a
        photo with little green light it is luminance.
        """
        return self.linear_channel(1) if self.is_measured_in_green else self.linear_grey()

    @property
    def is_measured_in_green(self) -> bool:
        """Whether `measuring_grey` is the green channel; parts of a picture go by the whole."""
        if not self.is_colour:
            return False
        step = max(1, self.height // 200), max(1, self.width // 200)
        sample = self.stored[:: step[0], :: step[1]].reshape(-1, 3).astype(np.float64)
        means = sample.mean(axis=0)
        return bool(means[1] >= 0.5 * means.max())

    def _to_linear(self, plane: StoredImage, weight: float) -> FloatImage:
        if plane.dtype.kind == "f":
            return np.asarray(plane * np.float32(weight), dtype=np.float32)
        table = linear_table(8 * plane.dtype.itemsize, self.tone) * np.float32(weight)
        if plane.dtype == np.uint8:
            return np.asarray(cv2.LUT(np.ascontiguousarray(plane), table), dtype=np.float32)
        return np.asarray(table[plane], dtype=np.float32)


def read_photo(path: str | Path, tone: Tone | None = None) -> Photo:
    """Read a JPEG, PNG, TIFF (8, 16 bit, float), WebP, BMP or HEIC photo.

    The content decides the format, not the name. EXIF orientation is applied. With `tone` the
    stated rule of `glassay.imaging.tone` is overridden. Raises `Unusable` with one sentence when
    the file is missing, empty, cut off, no photo, too large, or not finite.
    """
    path = Path(path)
    data = _read_bytes(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
                stored, facts, notes = _decode_tiff(data)
            else:
                stored, facts, notes = _decode_common(data)
    except Unusable as error:
        raise Unusable(f"{path.name}: {error}") from None
    except MemoryError:
        raise Unusable(f"{path.name}: there is not enough memory to decode this photo") from None
    except Exception as error:  # decoders raise many kinds for damaged data
        raise Unusable(f"{path.name}: the file is damaged or cut off ({_short(error)})") from None
    stored, more = _settle_nonfinite(path, stored)
    facts["bytes"] = len(data)
    suffix = path.suffix.lower().lstrip(".")
    if suffix and suffix not in _SUFFIXES.get(facts["format"], (suffix,)):
        notes.append(f"the name says .{suffix}, the content is {facts['format']}")
    stated = tone is not None
    if tone is None:
        deep_grey = stored.ndim == 2 and stored.dtype.itemsize > 1
        tone = "linear" if stored.dtype.kind == "f" or deep_grey else "srgb"
    return Photo(path, stored, tone, facts, tuple(notes + more), tone_stated=stated)


_SUFFIXES = {
    "JPEG": ("jpg", "jpeg", "jpe", "jfif"),
    "MPO": ("jpg", "jpeg", "mpo"),
    "PNG": ("png",),
    "WEBP": ("webp",),
    "BMP": ("bmp", "dib"),
    "HEIF": ("heic", "heif", "hif"),
    "TIFF": ("tif", "tiff"),
}


def _read_bytes(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise Unusable(f"{path.name} is a folder, not a photo")
        if size == 0:
            raise Unusable(f"{path.name}: the file is empty")
        if size > MAX_FILE_BYTES:
            raise Unusable(f"{path.name}: {size} bytes is more than the {MAX_FILE_BYTES} read")
        return path.read_bytes()
    except FileNotFoundError:
        raise Unusable(f"{path}: there is no such file") from None
    except OSError as error:
        raise Unusable(f"{path}: cannot be read ({error.strerror})") from None


_ONE_SAMPLE = ("1", "L", "I;16", "I;16B", "I;16L", "I")
"""Modes that stay grey; palettes are decoded to colour."""


def _decode_common(data: bytes) -> tuple[StoredImage, dict[str, Any], list[str]]:
    Image.MAX_IMAGE_PIXELS = None  # our own limit, checked below before anything is decoded
    try:
        image = Image.open(io.BytesIO(data), formats=_FORMATS)
    except (UnidentifiedImageError, SyntaxError):
        raise Unusable(
            "this is not a photo in a format that is read (JPEG, PNG, TIFF, WebP, BMP, HEIC)"
        ) from None
    deep_png = image.format == "PNG" and data[24:25] == b"\x10"  # bit depth in the IHDR chunk
    samples = max(3, len(image.getbands())) if image.mode not in _ONE_SAMPLE else 1
    check_size(*image.size, samples * (2 if deep_png else 1))
    exif = image.getexif()
    facts: dict[str, Any] = {
        "format": image.format,
        "stored_size": image.size,
        "exif": _exif_facts(exif),
        "quantization": {k: list(v) for k, v in getattr(image, "quantization", {}).items()},
    }
    notes: list[str] = []
    if deep_png:
        stored = _decode_deep_png(data)
    else:
        if getattr(image, "n_frames", 1) > 1:
            notes.append("the file holds several pictures; the first is used")
        stored = _flatten(image, notes)
        damage = damage_note(data, image) if image.format in ("JPEG", "MPO") else None
        notes += [damage] if damage else []
    # HEIF files are turned upright by their decoder, which also resets the orientation field.
    orientation = 1 if image.format == "HEIF" else int(exif.get(ExifTags.Base.Orientation, 1) or 1)
    facts["bits"] = 8 * stored.dtype.itemsize
    facts["orientation"] = orientation
    return _turn_upright(stored, orientation), facts, notes


def _flatten(image: Image.Image, notes: list[str]) -> StoredImage:
    if image.mode in ("I;16", "I;16B", "I;16L"):
        return np.asarray(image).astype(np.uint16)
    if "A" in image.getbands() or "transparency" in image.info:
        notes.append("transparency is ignored")
    grey = image.mode in ("L", "LA", "1") or (
        image.mode == "P" and image.palette is not None and image.palette.mode == "L"
    )
    wanted = "L" if grey else "RGB"
    return np.asarray(image if image.mode == wanted else image.convert(wanted))


def _decode_deep_png(data: bytes) -> StoredImage:
    stored = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if stored is None:
        raise ValueError("PNG data ends early")
    if stored.ndim == 3:
        stored = stored[..., 2::-1]
    return np.ascontiguousarray(stored)


_INKS_AND_CHROMA = (tifffile.PHOTOMETRIC.SEPARATED, tifffile.PHOTOMETRIC.YCBCR)
_LIGHTS = (
    tifffile.PHOTOMETRIC.MINISBLACK, tifffile.PHOTOMETRIC.MINISWHITE, tifffile.PHOTOMETRIC.RGB,
    tifffile.PHOTOMETRIC.PALETTE, tifffile.PHOTOMETRIC.YCBCR, tifffile.PHOTOMETRIC.CFA,
    tifffile.PHOTOMETRIC.LINEAR_RAW,
)  # fmt: skip
"""How a TIFF's numbers tell colours (TIFF 6.0): some are inks, of which more is darker."""


def _decode_tiff(data: bytes) -> tuple[StoredImage, dict[str, Any], list[str]]:
    with tifffile.TiffFile(io.BytesIO(data)) as tiff:
        page = tiff.pages[0]
        if not isinstance(page, tifffile.TiffPage):
            raise Unusable("the TIFF holds no picture")
        if page.photometric in _INKS_AND_CHROMA and page.compression != tifffile.COMPRESSION.JPEG:
            return _decode_common(data)  # which turns them into red, green and blue
        if page.photometric not in _LIGHTS:
            kind = getattr(page.photometric, "name", page.photometric)
            raise Unusable(f"the TIFF's colours are stored as {kind}: save it as grey or RGB")
        bits = max(page.bitspersample, 8) * page.samplesperpixel
        check_size(page.imagewidth, page.imagelength, bits // 8 * max(1, page.imagedepth))
        notes = ["the file holds several pictures; the first is used"] if _has_more(tiff) else []
        stored = np.asarray(page.asarray())
        orientation = int(page.tags["Orientation"].value) if "Orientation" in page.tags else 1
        photometric = page.photometric
        if page.photometric == tifffile.PHOTOMETRIC.PALETTE and page.colormap is not None:
            stored = np.moveaxis(page.colormap[:, stored], 0, -1)
        elif page.planarconfig == tifffile.PLANARCONFIG.SEPARATE and stored.ndim == 3:
            stored = np.moveaxis(stored, 0, -1)
        exif = {
            tag.name: str(tag.value)
            for tag in page.tags.values()
            if tag.name in ("Make", "Model", "DateTime", "Software", "ImageDescription")
        }
    stored = _plain_dtype(np.squeeze(stored))
    if stored.ndim == 3 and stored.shape[2] in (2, 4):
        notes.append("transparency is ignored")
        stored = stored[..., : stored.shape[2] - 1]
    if stored.ndim == 3 and stored.shape[2] == 1:
        stored = stored[..., 0]
    if stored.ndim not in (2, 3) or (stored.ndim == 3 and stored.shape[2] != 3) or not stored.size:
        raise Unusable(f"the TIFF's shape {stored.shape} is no grey or RGB photo")
    if photometric == tifffile.PHOTOMETRIC.MINISWHITE and stored.dtype.kind == "u":
        stored = np.iinfo(stored.dtype).max - stored
    facts = {
        "format": "TIFF",
        "stored_size": (stored.shape[1], stored.shape[0]),
        "bits": 8 * stored.dtype.itemsize,
        "orientation": orientation,
        "exif": exif,
        "quantization": {},
    }
    return _turn_upright(stored, orientation), facts, notes


def _has_more(tiff: tifffile.TiffFile) -> bool:
    """Whether there is a second picture; to count them all may take hours in a crafted file."""
    try:
        tiff.pages[1]
    except IndexError:
        return False
    return True


def _plain_dtype(stored: StoredImage) -> StoredImage:
    if stored.dtype == np.bool_:
        return stored.astype(np.uint8) * np.uint8(255)
    if stored.dtype.kind == "f":
        return stored.astype(np.float32)
    if stored.dtype in (np.uint8, np.uint16):
        return stored.astype(stored.dtype.newbyteorder("="))
    if stored.dtype.kind in "iu":  # signed or 32-bit integers: camera counts, kept as numbers
        return stored.astype(np.float32)
    raise Unusable(f"pixels of type {stored.dtype} are not read")


def _settle_nonfinite(path: Path, stored: StoredImage) -> tuple[StoredImage, list[str]]:
    if stored.dtype.kind != "f":
        return stored, []
    finite = np.isfinite(stored)
    missing = 1 - float(finite.mean())
    if missing == 0:
        return stored, []
    if missing > FEW_NONFINITE:
        raise Unusable(f"{path.name}: {missing:.0%} of the pixels are NaN or infinite")
    filled = np.where(finite, stored, np.median(stored[finite])).astype(np.float32)
    return filled, [f"{int((~finite).sum())} NaN or infinite pixels were filled with the median"]


def _turn_upright(stored: StoredImage, orientation: int) -> StoredImage:
    if orientation in (2, 4, 5, 7):  # mirrored
        stored = stored[:, ::-1]
    turns = {3: 2, 4: 2, 5: 1, 6: 3, 7: 3, 8: 1}.get(orientation, 0)
    return np.ascontiguousarray(np.rot90(stored, turns))


def _exif_facts(exif: Image.Exif) -> dict[str, str]:
    facts: dict[str, str] = {}
    for block in (exif, exif.get_ifd(ExifTags.IFD.Exif)):
        for tag, value in block.items():
            name = ExifTags.TAGS.get(tag)
            if name and not isinstance(value, bytes) and name != "MakerNote":
                facts[name] = str(value)
    return facts


def _short(error: Exception) -> str:
    return " ".join(str(error).split())[:120] or type(error).__name__
