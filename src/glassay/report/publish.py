"""A static site of chips that any plain web host serves, and that works from a folder as well.

One page a chip: its sheet with the photo to look at closely, the data, the archive that the numbers
rest on. Beside them a list of all chips, a citation file (CFF 1.2.0) and checksums.
"""

from __future__ import annotations

import contextlib
import datetime
import importlib.resources
import io
import json
import re
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from PIL import Image

from glassay import __version__
from glassay.bench.chip.die_layers import LaidLayer
from glassay.bench.chip.die_pictures import ChosenPicture
from glassay.bench.document.die_notes import DieNotes
from glassay.bench.document.model import Bench
from glassay.bench.keeping.pack import pack
from glassay.bench.shelf.published import SITE_FILE, SUMS_FILE, is_site, site_document, sums_of
from glassay.disk import PART_SUFFIX, content_hash, put_in_place, write_atomically
from glassay.errors import Unusable
from glassay.report import die_files, die_iiif, iiif
from glassay.report.die_pictures import levelled
from glassay.report.die_sheet import OnSite, Sheet, manifest_lines, sheet_data, write_sheet
from glassay.report.numbers import counted
from glassay.report.picture_wall import JPEG_QUALITY, LARGEST_PX, SHARPER
from glassay.report.pictures import for_screen
from glassay.report.pyramids import stored_levels, write_ome_tiff
from glassay.report.templating import render, source
from glassay.report.viewer_files import write_viewer

TILES = "tiles"

FILES = {
    "sheet.json": "all numbers of this page, with their uncertainty budgets",
    "die.geojson": "outline, pads, regions and markings in µm, y up",
    "die.svg": "the same as a drawing",
    "die.dxf": "the same for drawing programs, unit µm",
    "pads.csv": "place and size of every pad",
    "die.ome.tif": "the picture as it was decoded, with its scale, as a pyramid",
}
"""Files beside a chip's page, and what they are."""


@dataclass(frozen=True)
class ChipToShow:
    """A chip of a bench with its measured die and what is noted of it."""

    bench: Bench
    chip: str
    chosen: ChosenPicture
    notes: DieNotes
    layers: tuple[LaidLayer, ...] = ()

    @property
    def title(self) -> str:
        """Its name, or id."""
        return self.bench.object(self.chip).name or self.chip


def check_place(folder: Path) -> None:
    """Raise `Unusable` where a site would replace something else."""
    if folder.is_dir() and not is_site(folder) and any(folder.iterdir()):
        raise Unusable(f"{folder} holds something else than a site; name a new folder")


def publish(
    chips: Sequence[ChipToShow], folder: Path, title: str, address: str | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> None:  # fmt: skip
    """Write the site: made beside and put in place when it is whole. `address` is where it will lie.

    Raises `Unusable` when nobody is named as author, or the folder cannot be written or holds
    something else.
    """
    check_place(folder)
    authors = list(dict.fromkeys(c.notes.about.credit for c in chips if c.notes.about.credit))
    if not authors:
        raise Unusable("a citation names someone: give --credit NAME")
    part = folder.with_name(f".{folder.name}{PART_SUFFIX}")
    shutil.rmtree(part, ignore_errors=True)
    try:
        _write_site(chips, part, title, address, authors, say)
        put_in_place(part, folder)
    except OSError as error:
        raise Unusable(f"{folder} cannot be written ({error.strerror})") from None
    finally:
        with contextlib.suppress(OSError):
            shutil.rmtree(part, ignore_errors=True)


def _write_site(
    chips: Sequence[ChipToShow], site: Path, title: str, address: str | None,
    authors: Sequence[str], say: Callable[[str], None],
) -> None:  # fmt: skip
    archives: dict[Path, str] = {}
    pages: list[dict[str, str]] = []
    shown: list[dict[str, Any]] = []
    longest = max(max(c.chosen.result.width.value, c.chosen.result.height.value) for c in chips)
    for chip in chips:
        if chip.bench.folder not in archives:
            name = (
                f"archives/{_free(_slug(chip.bench.folder.resolve().name), archives.values())}.zip"
            )
            say(f"packing {chip.bench.title}")
            (site / "archives").mkdir(parents=True, exist_ok=True)
            pack(chip.bench, site / name)
            archives[chip.bench.folder] = name
        archive = archives[chip.bench.folder]
        slug = _free(_slug(f"{Path(archive).stem}-{chip.chip}"), [p["page"] for p in pages])
        say(f"writing {chip.title}")
        _write_chip(chip, site / "chips" / slug, archive, f"chips/{slug}", address)
        page = f"chips/{slug}/index.html"
        pages.append({"title": chip.title, "page": page, "data": f"chips/{slug}/sheet.json",
                      "archive": archive, "chip": chip.chip})  # fmt: skip
        shown.append(_on_the_list(chip, page, site / "chips" / slug, LARGEST_PX / longest))
    _write_assets(site / "assets")
    texts = {
        "index.html": str(render("site.html", {
            "title": title, "styles": source("page.css"), "version": __version__, "chips": shown,
            "counted": counted(len(shown), "chip"), "written": _today(), "authors": authors,
        })),
        "CITATION.cff": citation(title, authors, address),
        SITE_FILE: json.dumps(site_document(title, pages), indent=1, ensure_ascii=False) + "\n",
    }  # fmt: skip
    for name, text in texts.items():
        write_atomically(site / name, text.encode())
    write_atomically(site / SUMS_FILE, sums_of(site).encode())


def _write_chip(
    chip: ChipToShow, folder: Path, archive: str, where: str, address: str | None
) -> None:
    picture, result, notes = chip.chosen.picture, chip.chosen.result, chip.notes
    photo = picture.photo
    per_px = None if result.pixel_size is None else result.pixel_size.value
    sheet = Sheet(
        f"Die of {chip.title}", picture.taken_with, photo, result, content_hash(photo.path), notes,
        chip.chosen.notes_file, chip.chosen.passed_over, tuple(FILES),
        chip.layers,
    )  # fmt: skip
    files = [*FILES.items(), (f"../../{archive}", "the archive: captures, results, versions")]
    place = "" if address is None else f"{address}/{where}"
    tiled = die_iiif.write_picture_tiles(folder / TILES, picture, f"{place}/{TILES}")
    if address is not None:
        about = notes.about
        lines = (*manifest_lines(result), ("Maker's text", about.maker), ("Package", about.package))
        said = iiif.Said(sheet.title, lines, about.licence_address, about.credit)
        shown = die_iiif.Pictures(picture, result, notes, chip.layers)
        die_iiif.write_documents(folder, TILES, tiled, place, shown, said)
        files.append(("manifest.json", "IIIF manifest: the photo and its layers, to choose from, with"
                      " what was found"))  # fmt: skip
    texts = {
        "index.html": write_sheet(sheet, OnSite({
            # the viewer takes the tiles from beside the page, wherever that lies
            "tiles": die_iiif.information(replace(tiled, address=TILES)),
            "pixel_um": per_px,
            "reduced": picture.reduced,
        }, files)),
        "sheet.json": json.dumps(sheet_data(sheet), indent=1) + "\n",
        "die.geojson": die_files.as_geojson(result, notes),
        "die.svg": die_files.as_svg(result, notes),
        "die.dxf": die_files.as_dxf(result, notes),
        "pads.csv": die_files.as_csv(result),
    }  # fmt: skip
    for name, text in texts.items():
        write_atomically(folder / name, text.encode())
    write_ome_tiff(folder / "die.ome.tif", stored_levels(photo), per_px, sheet.title)


def _on_the_list(chip: ChipToShow, page: str, folder: Path, per_um: float) -> dict[str, Any]:
    result, photo = chip.chosen.result, chip.chosen.picture.photo
    size = tuple(max(1, round(per_um * q.value)) for q in (result.width, result.height))
    picture = levelled(for_screen(photo, None), result.outline.seen_corners(),
                       (SHARPER * size[0], SHARPER * size[1]))  # fmt: skip
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, "JPEG", quality=JPEG_QUALITY, optimize=True)
    write_atomically(folder / "small.jpg", stream.getvalue())
    about = chip.notes.about
    return {
        "title": chip.title, "page": page, "picture": page.replace("index.html", "small.jpg"),
        "width": size[0], "height": size[1],
        "markings": " / ".join(m.text for m in chip.notes.markings),
        "size": f"{result.width.value / 1000:.3f} × {result.height.value / 1000:.3f} mm",
        "pads": counted(len(result.pads), "pad"), "package": about.package, "credit": about.credit,
        "licence": about.licence,
    }  # fmt: skip


def _write_assets(folder: Path) -> None:
    write_viewer(folder)
    layers = importlib.resources.files("glassay") / "report/templates/layers.js"
    write_atomically(folder / "layers.js", layers.read_bytes())


def citation(title: str, authors: Sequence[str], address: str | None) -> str:
    """A citation file (Citation File Format 1.2.0): the required keys, kind, day, address."""
    lines = [
        "cff-version: 1.2.0", "message: If you use these pictures or numbers, please cite them so.",
        "type: dataset", f"title: {_quoted(title)}", "authors:",
        *(f"  - name: {_quoted(name)}" for name in authors), f"date-released: {_today()}",
    ]  # fmt: skip
    if address is not None:
        lines.append(f"url: {_quoted(address)}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    # a JSON string is a YAML one (YAML 1.2, 1.3)
    return json.dumps(text, ensure_ascii=False)


def _today() -> str:
    return datetime.date.today().isoformat()


def _slug(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-").lower() or "chip"


def _free(slug: str, taken: Any) -> str:
    held = {part for name in taken for part in Path(name).with_suffix("").parts}
    number, out = 1, slug
    while out in held:
        number += 1
        out = f"{slug}-{number}"
    return out


def credited(notes: DieNotes, credit: str, licence: str, licence_address: str) -> DieNotes:
    """Notes with what is given for all chips, where their own say nothing."""
    about = notes.about
    own = bool(about.licence or about.licence_address)
    return replace(notes, about=replace(
        about, credit=about.credit or credit, licence=about.licence if own else licence,
        licence_address=about.licence_address if own else licence_address,
    ))  # fmt: skip
