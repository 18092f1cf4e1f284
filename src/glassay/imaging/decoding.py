"""Decoding photo files: stored px upright, the file's own facts, and notes on what is passed over."""

from __future__ import annotations

import io
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pillow_heif
import tifffile
from PIL import ExifTags, Image, UnidentifiedImageError

from glassay.errors import Unusable
from glassay.imaging.jpeg_damage import damage_note
from glassay.imaging.memory import check_size
from glassay.imaging.tone import StoredImage

pillow_heif.register_heif_opener()

Decoded = tuple[StoredImage, dict[str, Any], list[str]]
"""Stored px, upright; what the file states of itself; notes."""

_FORMATS = ("JPEG", "PNG", "WEBP", "BMP", "HEIF", "TIFF")  # multi-picture JPEG opens as JPEG
_ONE_SAMPLE = ("1", "L", "I;16", "I;16B", "I;16L", "I")
"""Modes that stay grey; palettes are decoded to colour."""


def decode(data: bytes) -> Decoded:
    """What a photo file of any format holds. Raises `Unusable`, and what decoders raise."""
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return _decode_tiff(data)
    return _decode_common(data)


def _decode_common(data: bytes) -> Decoded:
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
    if (colours := _colours_of_palette(image)) is not None:
        facts["palette"] = colours
    notes: list[str] = []
    if deep_png:
        stored = _decode_deep_png(data)
    else:
        if getattr(image, "n_frames", 1) > 1:
            notes.append("the file holds several pictures; the first is used")
        stored = _flatten(image, notes)
        image.close()  # its px are held no longer
        plain = image.mode in ("L", "RGB") and image.format in ("JPEG", "MPO")
        damage = damage_note(data, stored) if plain else None
        notes += [damage] if damage else []
    # HEIF files are turned upright by their decoder, which also resets the orientation field.
    orientation = 1 if image.format == "HEIF" else int(exif.get(ExifTags.Base.Orientation, 1) or 1)
    facts["bits"] = 8 * stored.dtype.itemsize
    facts["orientation"] = orientation
    return _turn_upright(stored, orientation), facts, notes


def _colours_of_palette(image: Image.Image) -> int | None:
    """How many colours of its palette a picture uses; None without one, and of plain greys."""
    if image.mode != "P" or image.palette is None or image.palette.mode == "L":
        return None
    used = image.getcolors(256) or []
    table = np.frombuffer(image.palette.tobytes(), np.uint8)
    channels = len(image.palette.mode)
    table = table[: table.size // channels * channels].reshape(-1, channels)
    return None if _is_grey_ramp(table[:, :3]) else len(used)


def _is_grey_ramp(colours: npt.NDArray[Any]) -> bool:
    """Whether these colours (n, 3) are greys in order, without a gap."""
    if len(colours) < 2 or (colours != colours[:, :1]).any():
        return False
    full = np.iinfo(colours.dtype).max
    steps = np.diff(colours[:, 0].astype(np.float64)) * 255 / full
    return bool((np.abs(steps) <= LARGEST_GAP).all() and (steps.min() >= 0 or steps.max() <= 0))


LARGEST_GAP = 2.5
"""Largest step between greys of a palette, of 256, that still is a grey picture merely stored so:
palettes of 64 greys have steps of 4."""


def _flatten(image: Image.Image, notes: list[str]) -> StoredImage:
    if image.mode in ("I;16", "I;16B", "I;16L"):
        return np.asarray(image).astype(np.uint16)
    if "A" in image.getbands() or "transparency" in image.info:
        notes.append("transparency is ignored")
    grey = image.mode in ("L", "LA", "1") or (
        image.mode == "P" and image.palette is not None and image.palette.mode == "L"
    )
    wanted = "L" if grey else "RGB"
    shape = (image.height, image.width) if grey else (image.height, image.width, 3)
    stored = np.empty(shape, np.uint8)
    image.load()
    for y in range(0, image.height, BAND_ROWS):  # at once it would be held three times
        band = image.crop((0, y, image.width, min(y + BAND_ROWS, image.height)))
        stored[y : y + BAND_ROWS] = np.asarray(
            band if band.mode == wanted else band.convert(wanted)
        )
    return stored


BAND_ROWS = 512
"""Rows that are copied from a decoder's picture at a time: 25 MB of one of 16,000 px."""


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


def _decode_tiff(data: bytes) -> Decoded:
    with tifffile.TiffFile(io.BytesIO(data)) as tiff:
        sizes = _page_sizes(tiff)
        number = sizes.index(max(sizes)) if sizes else 0
        page = tiff.pages[number]
        if not isinstance(page, tifffile.TiffPage):
            raise Unusable("the TIFF holds no picture")
        chroma = page.photometric in _INKS_AND_CHROMA
        if chroma and number == 0 and page.compression != tifffile.COMPRESSION.JPEG:
            return _decode_common(data)  # which turns them into red, green and blue
        if page.photometric not in _LIGHTS:
            kind = getattr(page.photometric, "name", page.photometric)
            raise Unusable(f"the TIFF's colours are stored as {kind}: save it as grey or RGB")
        bits = max(page.bitspersample, 8) * page.samplesperpixel
        check_size(page.imagewidth, page.imagelength, bits // 8 * max(1, page.imagedepth))
        which = "largest" if number else "first"
        notes = [f"the file holds several pictures; the {which} is used"] if sizes[1:] else []
        stored = np.asarray(page.asarray())
        orientation = int(page.tags["Orientation"].value) if "Orientation" in page.tags else 1
        photometric = page.photometric
        colours = None
        if page.photometric == tifffile.PHOTOMETRIC.PALETTE and page.colormap is not None:
            colours = None if _is_grey_ramp(page.colormap.T) else np.unique(stored).size
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
    if colours is not None:
        facts["palette"] = colours
    return _turn_upright(stored, orientation), facts, notes


MOST_PAGES = 8
"""Pages of a TIFF among which the picture is looked for: a thumbnail or two may stand before it, and to
count them all may take hours in a crafted file."""


def _page_sizes(tiff: tifffile.TiffFile) -> list[int]:
    """Px of the first pages: some programs write a thumbnail before the picture."""
    sizes: list[int] = []
    for number in range(MOST_PAGES):
        try:
            page = tiff.pages[number]
        except IndexError:
            break
        sizes.append(
            page.imagewidth * page.imagelength if isinstance(page, tifffile.TiffPage) else 0
        )
    return sizes


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
