"""A die's sheet: one page that needs nothing else, with what was found drawn over the picture."""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from markupsafe import Markup

from glassay import __version__
from glassay.bench.chip.die_layers import LaidLayer
from glassay.bench.document.die_notes import KINDS, DieNotes, Region
from glassay.bench.saying.words import short
from glassay.die import DieResult
from glassay.finding import Finding
from glassay.imaging import Photo
from glassay.quantity import Quantity, rounded
from glassay.report.die_layers import PICTURE_BYTES as LAYER_BYTES
from glassay.report.die_layers import ShownLayers, shown_layers
from glassay.report.evidence_die import die_outline, pad_corners
from glassay.report.numbers import in_unit, length, prose, sentence
from glassay.report.pictures import for_screen, jpeg_uri
from glassay.report.templating import render, source

LONGEST_PX = 2000
PICTURE_BYTES = 1_500_000
"""The picture of a sheet: sharp on wide screens, and the page stays below 3 MB."""

NAMES = {
    "width": "Width", "height": "Height", "tilt": "Tilt", "pads": "Pads", "pad_pitch": "Pad pitch",
    "finest_line": "Finest line", "finest_space": "Finest space", "finest_pitch": "Finest pitch",
    "finest_line_limit": "No finer line or space could be seen than",
    "finest_pitch_limit": "No finer pitch could be seen than", "distortion": "Distortion of the lens",
}  # fmt: skip

MOST_PARTS = 4
"""Contributions to an uncertainty that are listed, the largest first."""


@dataclass(frozen=True)
class Sheet:
    """What a sheet shows: the picture and what was found in it; notes by hand with the name of their
    file; the file's SHA-256; pictures that were not used and why; files that lie beside the page; and
    other pictures of the die that are laid over it."""

    title: str
    taken: str
    photo: Photo
    result: DieResult
    digest: str
    notes: DieNotes = field(default_factory=DieNotes)
    notes_file: str = ""
    passed_over: tuple[tuple[str, str], ...] = ()
    beside: Sequence[str] = field(default=())
    layers: tuple[LaidLayer, ...] = ()


@dataclass(frozen=True)
class OnSite:
    """What a sheet has more as a page of a published site: what its viewer needs of the picture, as
    JSON, and files (address, words) to be had."""

    picture: Mapping[str, Any]
    files: Sequence[tuple[str, str]]


def write_sheet(sheet: Sheet, site: OnSite | None = None) -> str:
    """The page as HTML: one file that needs nothing else, or a page of a site."""
    result, photo = sheet.result, sheet.photo
    found = result.findings()
    pads = f"{len(result.pads)} bond pads" if result.pads else "no bond pads told"
    filling = {
        "title": sheet.title, "taken": sheet.taken, "version": __version__,
        "styles": source("page.css") + source("die_sheet.css") + source("layers.css"),
        "layers": _layers(sheet),
        "size": (length_of(result.width), length_of(result.height)), "pads_told": pads,
        "process": None if result.process is None else {
            "statement": prose(result.process.statement),
            "reasons": [prose(reason) for reason in result.process.reasons]},
        "width": photo.width, "height": photo.height, "outline_by_hand": result.outline.by_hand,
        "source": jpeg_uri(for_screen(photo, LONGEST_PX), PICTURE_BYTES),
        "alt": f"The photo with the die's outline and {len(result.pads)} numbered pads drawn over it",
        "caption": "Amber: the outline. Light blue: pads with their numbers."
                   + (" Filled: regions drawn by hand." if sheet.notes.regions else ""),
        "regions": _regions_drawn(sheet), "paths": _paths(result), "labels": _labels(sheet),
        "bar": _bar(photo, result), "unit": result.unit.replace("um", "µm"),
        "measured": measured_rows(found, NAMES),
        "notes": [sentence(prose(note)) for note in result.notes],
        "rows": [
            {"side": row.side, "count": row.count, "gaps": row.gaps,
             "pitch": "uneven" if row.pitch is None else in_unit(result.length(row.pitch))}
            for row in result.rows
        ],
        "counted": result.counted, "pads": [
            {"number": pad.number, "side": pad.side, "by_hand": pad.by_hand,
             "numbered_by_hand": pad.numbered_by_hand, "numbers": [
                f"{v * result.per_px:.1f}" for v in (pad.x, pad.y, pad.width, pad.height)]}
            for pad in result.pads
        ],
        **_by_hand(sheet), "about": sheet.notes.about, "site": None if site is None else {
            "picture": as_script(site.picture), "files": site.files},
        "file": photo.path.name, "digest": sheet.digest,
        "beside": ", ".join(sheet.beside) or "nothing", "passed_over": sheet.passed_over,
        "written": datetime.date.today().isoformat(),
    }  # fmt: skip
    return str(render("die_sheet.html", filling))


def _layers(sheet: Sheet) -> ShownLayers | None:
    if not sheet.layers:
        return None
    return shown_layers(
        sheet.photo, sheet.result, sheet.notes, sheet.layers,
        lambda _, pixels: jpeg_uri(pixels, LAYER_BYTES),
    )  # fmt: skip


def as_script(data: Mapping[str, Any]) -> Markup:
    """Data within a page's script element: nothing in it may end the element."""
    return Markup(json.dumps(data).replace("<", "\\u003c"))


def length_of(quantity: Quantity) -> Any:
    """A length on the die as the page says it."""
    return length(quantity) if quantity.unit == "um" else in_unit(quantity)


def said_of(value: object) -> Any:
    return in_unit(value) if isinstance(value, Quantity) else str(value)


def measured_rows(
    findings: Mapping[str, Finding], names: Mapping[str, str]
) -> list[dict[str, str]]:
    """What the table of `measured_table.html` shows of findings, by their plain names."""
    return [
        {
            "name": names.get(key, key) + by_hand_words(one),
            "value": said_of(one.value),
            "budget": _budget_of(one.value),
        }
        for key, one in findings.items()
    ]


def by_hand_words(finding: Finding) -> str:
    """What is said beside a finding's name that a person set or corrected; "" of what was measured."""
    if finding.method.endswith("corrected by hand"):
        return " (corrected by hand)"
    return " (by hand)" if "by hand" in finding.method else ""


def _budget_of(value: object) -> str:
    if not isinstance(value, Quantity) or not value.contributions:
        return ""
    shares: dict[str, float] = {}
    for part in value.contributions:
        shares[part.source] = shares.get(part.source, 0.0) + part.u**2 / (value.u**2 or 1.0)
    told = sorted(((share, name) for name, share in shares.items() if share > 0.005), reverse=True)
    return ", ".join(f"{name} {share:.0%}" for share, name in told[:MOST_PARTS])


def _path(points: Any) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z"


def _paths(result: DieResult) -> list[tuple[str, str]]:
    pads = "".join(
        _path(pad_corners(result, pad.x, pad.y, pad.width, pad.height)) for pad in result.pads
    )
    return [("outline", _path(die_outline(result))), ("pads", pads)]


def _labels(sheet: Sheet) -> list[tuple[float, float, float, str]]:
    result = sheet.result
    out = []
    for pad in result.pads:
        x, y = result.outline.to_photo([(pad.x, pad.y)])[0]
        out.append((float(x), float(y), 0.42 * min(pad.width, pad.height), pad.number))
    letter = max(sheet.photo.width, sheet.photo.height) / 70
    named = [(r.name or r.kind, r.middle) for r in sheet.notes.regions]
    named += [(m.text, m.place) for m in sheet.notes.markings if m.place is not None]
    for text, place in named:
        x, y = result.outline.to_photo([np.array(place) / result.per_px])[0]
        out.append((float(x), float(y), letter, text))
    return out


def _regions_drawn(sheet: Sheet) -> list[dict[str, str]]:
    per = sheet.result.per_px
    return [
        {"kind": region.kind, "title": f"{region.kind}: {region.name}" if region.name else region.kind,
         "path": _path(sheet.result.outline.to_photo(np.array(region.corners) / per))}
        for region in sheet.notes.regions
    ]  # fmt: skip


def _bar(photo: Photo, result: DieResult) -> dict[str, Any] | None:
    """A bar of 1-2-5 length, at most a quarter of the photo's width; None without a pixel size."""
    if result.pixel_size is None:
        return None
    most = 0.25 * photo.width * result.per_px
    decade = 10.0 ** np.floor(np.log10(most))
    long = float(decade * max(step for step in (1, 2, 5) if step * decade <= most))
    px, letter = long / result.per_px, max(photo.width, photo.height) / 60
    x, y = 0.03 * photo.width, photo.height - 0.03 * photo.height
    words = f"{long / 1000:g} mm" if long >= 1000 else f"{long:g} µm"
    return {"path": f"M{x:.1f} {y:.1f}h{px:.1f}", "x": x + px / 2, "y": y - 1.1 * letter,
            "size": letter, "text": words}  # fmt: skip


def _by_hand(sheet: Sheet) -> dict[str, Any]:
    die = sheet.result.width.value * sheet.result.height.value
    regions = sheet.notes.regions

    def row(name: str, kind: str, area: float, size: str = "") -> Mapping[str, str]:
        return {
            "name": name,
            "kind": kind,
            "size": size,
            "area": f"{area / 1e6:.4f}",
            "share": f"{area / die:.1%}",
        }

    def total(kind: str) -> float:
        return sum(region.area_um2 for region in regions if region.kind == kind)

    several = [kind for kind in KINDS if sum(r.kind == kind for r in regions) > 1]
    return {
        "by_hand": [
            row(region.name, region.kind, region.area_um2, "{:.4g} × {:.4g}".format(*region.size_um))
            for region in regions
        ],
        "kinds": [row("", kind, total(kind)) for kind in several],
        "corrected": sheet.result.by_hand, "markings": sheet.notes.markings,
        "notes_file": sheet.notes_file,
    }  # fmt: skip


def sheet_lines(result: DieResult) -> tuple[tuple[str, str], ...]:
    """What was measured as lines of (name, value) in plain words, each with its U at 95 %; what is by
    hand is said to be."""
    found = result.findings().items()
    return tuple((NAMES[key] + by_hand_words(one), plain_value(one.value)) for key, one in found)


def manifest_lines(result: DieResult) -> tuple[tuple[str, str], ...]:
    """The same with all that a person corrected."""
    return (*sheet_lines(result), ("Corrected by hand", "; ".join(result.by_hand)))


def plain_value(value: object) -> str:
    """A finding's value in plain words."""
    if not isinstance(value, Quantity):
        return str(value)
    unit = {"1": "", "deg": "°"}.get(value.unit, f" {value.unit.replace('um', 'µm')}")
    if not value.u:
        return f"{short(value.value)}{unit}"
    number, expanded = rounded(value.value, value.expanded)
    return f"{number} ± {expanded}{unit}"


def sheet_data(sheet: Sheet) -> dict[str, Any]:
    """The sheet as plain data, for `sheet.json`."""
    result = sheet.result
    die = result.width.value * result.height.value
    return {
        "title": sheet.title, "taken": sheet.taken, "file": sheet.photo.path.name,
        "sha256": sheet.digest, "version": __version__,
        "findings": {key: finding.as_json() for key, finding in result.findings().items()},
        **result.beside(), "notes": list(result.notes),
        **({"layers": [one.as_data() for one in sheet.layers]} if sheet.layers else {}),
        "by_hand": {
            "file": sheet.notes_file, "corrected": list(result.by_hand),
            "regions": [_region_data(region, die) for region in sheet.notes.regions],
            "markings": [
                {"text": m.text, "place": m.place, "doubtful": m.is_doubtful}
                for m in sheet.notes.markings
            ],
        },
        "not_used": [{"capture": name, "reason": why} for name, why in sheet.passed_over],
    }  # fmt: skip


def _region_data(region: Region, die: float) -> dict[str, Any]:
    return {"kind": region.kind, "name": region.name, "polygon": [list(c) for c in region.corners],
            "size_um": list(region.size_um), "area_um2": region.area_um2,
            "share": region.area_um2 / die}  # fmt: skip
