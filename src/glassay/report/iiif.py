"""A die's pictures as any plain web host can serve them: IIIF tiles, and a manifest with annotations.

Sources: IIIF Image API 3.0, compliance level 0 (static files at canonical paths), and IIIF
Presentation API 3.0; several pictures of one canvas are its `Choice` (Presentation 3.0, section 4.3, by
way of the Web Annotation Data Model, 3.2.7). Both name things by absolute addresses, so that where the
files will lie must be known; the tiles themselves need none.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from xml.sax.saxutils import quoteattr

import cv2
import numpy as np

from glassay.bench.document.die_notes import DieNotes
from glassay.die import DieResult
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.imaging import Photo
from glassay.report.evidence_die import die_outline, pad_corners
from glassay.report.pictures import Pixels, for_screen
from glassay.report.pyramids import halved

TILE_PX = 512
JPEG_QUALITY = 88
"""Compression of tiles: beyond it files grow and nothing more is seen on a screen."""

IMAGE_CONTEXT = "http://iiif.io/api/image/3/context.json"
PRESENTATION_CONTEXT = "http://iiif.io/api/presentation/3/context.json"
"""Fixed by the specifications, as names; nothing is fetched from there."""


LAYERS = "layers"
"""Folder of the layers' tiles, each in one of its number."""

Size = tuple[int, int]
"""Width and height, px."""


@dataclass(frozen=True)
class Tiled:
    """A picture in tiles under an address: what it is called, its px, and those of the largest file in
    which it is whole, where that is smaller."""

    address: str
    name: str
    size: Size
    whole: Size


@dataclass(frozen=True)
class Said:
    """What a manifest says beside the picture: title, lines of (name, value), the licence's address
    (or "") and whom to credit (or "")."""

    title: str
    lines: tuple[tuple[str, str], ...] = ()
    licence_address: str = ""
    credit: str = ""


def check_address(address: str) -> str:
    """An address under which a folder will lie, without its last slash. Raises `Unusable`."""
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https") or not parts.netloc or parts.query or parts.fragment:
        raise Unusable(f"{address!r} is no address like https://example.org/dies")
    return address.rstrip("/")


def scale_factors(width: int, height: int) -> list[int]:
    """1, 2, 4, ... up to that at which the picture fits on one tile."""
    factors = [1]
    while max(width, height) > TILE_PX * factors[-1]:
        factors.append(2 * factors[-1])
    return factors


def image_information(
    address: str, width: int, height: int, whole: Size | None = None
) -> dict[str, Any]:
    """The `info.json` of a picture whose tiles lie under an address (Image API 3.0, section 5).

    `whole`: px of the largest file in which it is whole, where that is smaller than the picture."""
    factors = scale_factors(width, height)
    least = factors[-1]
    most = (width, height) if whole is None else whole
    limit = {} if most == (width, height) else {"maxWidth": most[0], "maxHeight": most[1]}
    return {
        "@context": IMAGE_CONTEXT, "id": address, "type": "ImageService3",
        "protocol": "http://iiif.io/api/image", "profile": "level0",
        "width": width, "height": height, **limit,
        "sizes": [{"width": -(-width // least), "height": -(-height // least)},
                  {"width": most[0], "height": most[1]}],
        "tiles": [{"width": TILE_PX, "height": TILE_PX, "scaleFactors": factors}],
    }  # fmt: skip


def write_tiles(folder: Path, photo: Photo) -> None:
    """Every tile of a photo as JPEG, and the whole, at the canonical paths of the Image API (4.7).

    Raises `Unusable` when the folder cannot be written.
    """
    write_tiles_of(folder, for_screen(photo, None))


def write_tiles_of(folder: Path, level: Pixels) -> None:
    """The same of a picture as it is shown, 8 bits."""
    height, width = level.shape[:2]
    write_tile(folder, "full/max/0/default.jpg", level)
    for factor in scale_factors(width, height):
        for top in range(0, level.shape[0], TILE_PX):
            strip = level[top : top + TILE_PX]
            for path, tile in tiles_of_strip(strip, top, factor, width, height):
                write_tile(folder, path, tile)
        level = np.asarray(halved(level), np.uint8)


def tiles_of_strip(
    strip: Pixels, top: int, factor: int, width: int, height: int
) -> Iterator[tuple[str, Pixels]]:
    """Tiles, and their canonical paths, of a row of them: `strip` begins `top` px below the border of a
    picture reduced by `factor`, of which `width` and `height` are whole."""
    for left in range(0, strip.shape[1], TILE_PX):
        yield tile_address(left, top, factor, width, height), strip[:, left : left + TILE_PX]


def tile_of_address(path: str, width: int, height: int) -> tuple[int, int, int]:
    """Of a tile's canonical path the level (0 the picture itself) and the left and top at which it
    begins there, px. Raises `Unusable` for a path that no tile of such a picture has."""
    found = re.match(r"(?:full|(\d{1,9}),(\d{1,9}),)", path)
    if found is not None:
        x, y = (int(number or 0) for number in found.groups())
        for level, factor in enumerate(scale_factors(width, height)):
            left, top = x // factor, y // factor
            is_corner = left % TILE_PX == 0 and top % TILE_PX == 0 and x < width and y < height
            if is_corner and path == tile_address(left, top, factor, width, height):
                return level, left, top
    raise Unusable("there is no such tile")


def tile_address(left: int, top: int, factor: int, width: int, height: int) -> str:
    """The canonical path of the tile that begins `left` and `top` px from the corner of a picture
    reduced by `factor`, of which `width` and `height` are whole."""
    across, down = -(-width // factor), -(-height // factor)
    if max(width, height) <= TILE_PX * factor:
        return f"full/{'max' if factor == 1 else f'{across},{down}'}/0/default.jpg"
    x, y = left * factor, top * factor
    w, h = min(TILE_PX * factor, width - x), min(TILE_PX * factor, height - y)
    seen = min(TILE_PX, across - left), min(TILE_PX, down - top)
    return f"{x},{y},{w},{h}/{seen[0]},{seen[1]}/0/default.jpg"


def write_tile(folder: Path, path: str, pixels: Pixels) -> None:
    """Write one tile as JPEG."""
    stored = pixels[..., ::-1] if pixels.ndim == 3 else pixels
    how = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    good, data = cv2.imencode(".jpg", np.ascontiguousarray(stored), how)
    if not good:
        raise Unusable("the picture cannot be encoded")
    write_atomically(folder / path, data.tobytes())


def manifest(
    address: str, pictures: Sequence[Tiled], result: DieResult, notes: DieNotes, said: Said,
    reduced: int = 1,
) -> dict[str, Any]:  # fmt: skip
    """The manifest that will lie at `address`/manifest.json: one canvas of the px of the first picture,
    with outline, pads, regions and markings on it.

    Further pictures fill the same canvas, and a reader chooses one: what is marked holds in all.
    `reduced`: how many px of the first picture are one of the photo in which the die was measured.
    """
    canvas = f"{address}/canvas"
    width, height = pictures[0].size
    size = {"width": width, "height": height}
    bodies = [_image(one) for one in pictures]
    if len(bodies) > 1:
        named = [{**body, "label": _words(one.name)}
                 for body, one in zip(bodies, pictures, strict=True)]  # fmt: skip
        bodies = [{"type": "Choice", "items": named}]
    painting = {"id": f"{canvas}/picture", "type": "Annotation", "motivation": "painting",
                "body": bodies[0], "target": canvas}  # fmt: skip
    out: dict[str, Any] = {
        "@context": PRESENTATION_CONTEXT, "id": f"{address}/manifest.json", "type": "Manifest",
        "label": _words(said.title),
        "metadata": [{"label": _words(k), "value": _words(v)} for k, v in said.lines if v],
        "items": [{
            "id": canvas, "type": "Canvas", "label": _words(said.title), **size,
            "items": [{"id": f"{canvas}/page", "type": "AnnotationPage", "items": [painting]}],
            "annotations": [{
                "id": f"{canvas}/marks", "type": "AnnotationPage",
                "items": list(_marks(canvas, result, notes, reduced)),
            }],
        }],
    }  # fmt: skip
    rights = rights_address(said.licence_address)
    if rights:
        out["rights"] = rights
    if said.credit:
        out["requiredStatement"] = {"label": _words("Credit"), "value": _words(said.credit)}
    return out


def _image(one: Tiled) -> dict[str, Any]:
    width, height = one.whole
    service = {"id": one.address, "type": "ImageService3", "profile": "level0"}
    return {"id": f"{one.address}/full/max/0/default.jpg", "type": "Image", "format": "image/jpeg",
            "width": width, "height": height, "service": [service]}  # fmt: skip


def rights_address(address: str) -> str:
    """The licence as a manifest may name it, or "": only addresses of the two bodies that the standard
    allows (Presentation API 3.0, 3.2, rights), which it writes with http."""
    parts = urlsplit(address)
    if parts.netloc not in ("creativecommons.org", "rightsstatements.org"):
        return ""
    return f"http://{parts.netloc}{parts.path}"


def as_text(document: dict[str, Any]) -> str:
    """A document as JSON."""
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def _words(text: str) -> dict[str, list[str]]:
    return {"en": [text]}


def _marks(canvas: str, result: DieResult, notes: DieNotes, many: int) -> Iterator[dict[str, Any]]:
    def mark(name: str, motivation: str, text: str, ring: Any) -> dict[str, Any]:
        return {
            "id": f"{canvas}/marks/{name}", "type": "Annotation", "motivation": motivation,
            "body": {"type": "TextualBody", "value": text, "format": "text/plain", "language": "en"},
            "target": {"type": "SpecificResource", "source": canvas,
                       "selector": {"type": "SvgSelector", "value": _polygon(ring, many)}},
        }  # fmt: skip

    outline = "outline, set by hand" if result.outline.by_hand else "outline, measured"
    yield mark("outline", "commenting", outline, die_outline(result)[:-1])
    for pad in result.pads:
        hand = " (put in by hand)" if pad.by_hand else ""
        ring = pad_corners(result, pad.x, pad.y, pad.width, pad.height)[:-1]
        yield mark(f"pad-{pad.number}", "tagging", f"pad {pad.number}{hand}", ring)
    per = result.per_px
    for n, region in enumerate(notes.regions, 1):
        ring = result.outline.to_photo(np.array(region.corners) / per)
        words = f"{region.kind}: {region.name}" if region.name else region.kind
        yield mark(f"region-{n}", "commenting", f"{words} (noted by hand)", ring)
    for n, marking in enumerate(notes.markings, 1):
        if marking.place is not None:
            x, y = result.outline.to_photo([np.array(marking.place) / per])[0]
            ring = np.array([(x - 8, y - 8), (x + 8, y - 8), (x + 8, y + 8), (x - 8, y + 8)])
            text = f"marking, as read by hand: {marking.text}"
            yield mark(f"marking-{n}", "commenting", text, ring)


def _polygon(ring: Any, many: int) -> str:
    # places of the photo count from the middle of its first px, a canvas from that px's corner
    points = " ".join(f"{many * (x + 0.5):.2f},{many * (y + 0.5):.2f}" for x, y in ring)
    return f'<svg xmlns="http://www.w3.org/2000/svg"><polygon points={quoteattr(points)}/></svg>'
