"""A mosaic as a page that any browser shows, from a folder or a plain web host: the picture to look at
closely, from tiles, with its scale, the photos' borders and what holds them together."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from glassay import __version__
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.mosaic import PICTURE, MosaicDocument, MosaicTiles
from glassay.mosaic.overlap import EVIDENCE_ALONE
from glassay.mosaic_files import PAGE
from glassay.report import iiif
from glassay.report.die_iiif import write_mosaic_tiles
from glassay.report.die_sheet import as_script, measured_rows, said_of
from glassay.report.numbers import counted, prose, sentence
from glassay.report.pictures import Pixels, jpeg_uri
from glassay.report.strokes import line_path, outline_path
from glassay.report.templating import Filling, render, source
from glassay.report.viewer_files import write_viewer

TILES, ASSETS = "tiles", "assets"
SHOWN_PX, SHOWN_BYTES = 1600, 600_000
"""Longest side, and bytes, of the picture that is shown before the viewer is opened."""
LETTERS = 40
"""Numbers of photos are this part of the picture's longer side high."""

NAMES = {
    "tiles_placed": "photos with a sure place", "tiles_left_out": "photos left out",
    "groups": "groups of photos that nothing joins", "width": "width", "height": "height",
    "loop_closure": "how well overlaps close in loops, rms",
    "distortion": "distortion at the corner of a photo",
    "vignetting": "light at the corner of a photo against its middle",
}  # fmt: skip


def write_mosaic_page(folder: Path) -> None:
    """Write the page, its tiles and the viewer into the folder that a mosaic was written into.

    Tiles are taken from the picture's pyramid, a few hundred rows at a time. Raises `Unusable` when the
    folder cannot be written, or holds no mosaic.
    """
    try:
        picture = MosaicTiles(folder / PICTURE)
        write_mosaic_tiles(folder / TILES, picture)
        write_viewer(folder / ASSETS)
        page = _page(MosaicDocument.read(folder), picture.small(SHOWN_PX))
        write_atomically(folder / PAGE, page.encode())
    except OSError as error:
        raise Unusable(f"{folder} cannot be written ({error.strerror})") from None


def _page(document: MosaicDocument, shown: Pixels) -> str:
    return str(render("mosaic_page.html", {
        "title": f"Mosaic of {counted(len(document.photos), 'photo')}", "version": __version__,
        "styles": source("page.css") + source("die_sheet.css") + source("mosaic.css"),
        "written": datetime.date.today().isoformat(),
        **filling_of(document, jpeg_uri(shown, SHOWN_BYTES), TILES),
    }))  # fmt: skip


def filling_of(document: MosaicDocument, whole: str, tiles: str, **viewer: Any) -> Filling:
    """What `mosaic_shown.html` needs of a mosaic: `whole` is the address of its small picture, `tiles`
    that under which its tiles lie; `viewer` is told to the viewer besides."""
    width, height = document.size
    size = document.pixel_size
    per_px = None if size is None else size.value
    borders = {n: one.border for n, one in enumerate(document.photos) if one.border is not None}
    middles = {number: border[:-1].mean(axis=0) for number, border in borders.items()}
    information = iiif.image_information(tiles, width, height)
    # a mosaic's whole picture may be larger than a JPEG can be
    information["sizes"] = information["sizes"][:1]
    return {
        "placed": document.placed, "of": len(document.photos),
        "size": [said_of(document.findings[name].value) for name in ("width", "height")],
        "width": width, "height": height, "source": whole,
        "borders": "".join(outline_path(border) for border in borders.values()),
        "ties": _ties(document, middles),
        "labels": [(*middle, str(number + 1)) for number, middle in middles.items()],
        "letter": max(width, height) / LETTERS,
        "picture": as_script({"tiles": information, "pixel_um": per_px, **viewer}),
        "measured": measured_rows(document.findings, NAMES),
        "photos": _photos(document, per_px), "unit": "px" if per_px is None else "µm",
        "overlaps": [
            {"pair": f"{a + 1} and {b + 1}", "correlation": f"{c:.3f}", "telling": telling}
            for a, b, c, telling in document.edges
        ],
        "notes": [sentence(prose(note)) for note in document.notes],
    }  # fmt: skip


def _ties(document: MosaicDocument, middles: dict[int, Any]) -> dict[str, str]:
    """Lines between the middles of photos that overlap: those that agree nearly perfectly, and others,
    which hold with their neighbours only."""
    lines: dict[str, list[Any]] = {"sure": [], "weak": []}
    for a, b, correlation, _ in document.edges:
        if a in middles and b in middles:
            kind = "sure" if correlation >= EVIDENCE_ALONE else "weak"
            lines[kind].append((*middles[a], *middles[b]))
    return {kind: line_path(some) if some else "" for kind, some in lines.items()}


def _photos(document: MosaicDocument, per_px: float | None) -> Sequence[dict[str, str]]:
    """Every photo: where its middle lies and how surely, against the photo nearest to the mosaic's
    middle; or why it has no place."""
    factor = per_px or 1.0
    out = []
    for number, one in enumerate(document.photos, 1):
        place = one.place
        out.append({
            "number": str(number), "file": one.file, "reason": prose(one.reason),
            "x": "" if place is None else f"{factor * place.x:z.1f}",
            "y": "" if place is None else f"{factor * place.y:z.1f}",
            "u": "" if place is None else f"{2 * factor * place.u:.2f}",
        })  # fmt: skip
    return out
