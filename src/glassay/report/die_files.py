"""A die as data that other tools open: GeoJSON, SVG, DXF and CSV, all in um.

GeoJSON and DXF count from the bottom left corner of the die with y up, as maps and drawings do; SVG and
CSV from its top left corner with y down, as pictures do.
"""

from __future__ import annotations

import csv
import io
import json
from typing import Any
from xml.sax.saxutils import escape

from glassay.bench.document.die_notes import DieNotes, Region
from glassay.die import DieResult, Pad

LAYERS = {"OUTLINE": 7, "PADS": 5, "REGIONS": 3, "TEXT": 2}
"""Layers of the DXF and their colours (AutoCAD colour index, as the format counts them)."""

MICRONS = 13
"""Unit of a DXF's coordinates, as its header counts them."""

FILLS = {"memory": "#6a9fd8", "logic": "#7fb77e", "analog": "#d8a25e", "drawing": "#c583b5",
         "marking": "#d8d15e", "unknown": "#a0a0a0"}  # fmt: skip

Ring = list[tuple[float, float]]


def _size(result: DieResult) -> tuple[float, float]:
    return result.width.value, result.height.value


def pad_ring(pad: Pad, per_px: float) -> Ring:
    """The corners of a pad in the result's unit, from the die's top left corner, y down."""
    x, y, w, h = (v * per_px for v in (pad.x, pad.y, pad.width / 2, pad.height / 2))
    return [(x - w, y - h), (x + w, y - h), (x + w, y + h), (x - w, y + h)]


def by_hand_line(result: DieResult) -> str:
    """What a person set and corrected, in one line; "" where all was measured."""
    return f"Corrected by hand: {'; '.join(result.by_hand)}" if result.by_hand else ""


def as_geojson(result: DieResult, notes: DieNotes) -> str:
    """Outline, pads, regions and markings as a FeatureCollection (RFC 7946, in a plane instead of on
    the earth: coordinates are um)."""
    width, height = _size(result)

    def up(ring: Ring) -> list[list[float]]:
        # exterior rings run counter-clockwise (RFC 7946, 3.1.6): with y up, the other way round
        turned = [[round(x, 4), round(height - y, 4)] for x, y in reversed(ring)]
        return [*turned, turned[0]]

    def feature(shape: dict[str, Any], **about: Any) -> dict[str, Any]:
        return {"type": "Feature", "geometry": shape, "properties": about}

    def polygon(ring: Ring, **about: Any) -> dict[str, Any]:
        return feature({"type": "Polygon", "coordinates": [up(ring)]}, **about)

    set_by = {"by": "hand"} if result.outline.by_hand else {}
    features = [
        polygon([(0, 0), (width, 0), (width, height), (0, height)], what="outline", **set_by)
    ]
    features += [
        polygon(
            pad_ring(pad, result.per_px),
            what="pad",
            number=pad.number,
            side=pad.side,
            row=pad.row,
            **({"by": "hand"} if pad.by_hand else {}),
            **({"number_by": "hand"} if pad.numbered_by_hand else {}),
        )
        for pad in result.pads
    ]
    for region in notes.regions:
        ring = _clockwise_as_seen(region)
        features.append(polygon(ring, what="region", kind=region.kind, name=region.name,
                                by="hand"))  # fmt: skip
    for marking in notes.markings:
        if marking.place is not None:
            x, y = marking.place
            point = {"type": "Point", "coordinates": [round(x, 4), round(height - y, 4)]}
            features.append(feature(point, what="marking", text=marking.text, by="hand"))
    out = {"type": "FeatureCollection", "unit": result.unit,
           "origin": "bottom left corner of the die, y up",
           **({"corrected_by_hand": list(result.by_hand)} if result.by_hand else {}),
           "features": features}  # fmt: skip
    return json.dumps(out, indent=1) + "\n"


def _clockwise_as_seen(region: Region) -> Ring:
    """A region's corners in the direction of `pad_ring`: clockwise as seen, with y down."""
    ring = list(region.corners)
    twice = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(ring, [*ring[1:], ring[0]], strict=True))
    return ring if twice > 0 else ring[::-1]


def as_svg(result: DieResult, notes: DieNotes) -> str:
    """The same as a drawing, one user unit a um."""
    width, height = _size(result)
    stroke = max(width, height) / 800

    def path(ring: Ring) -> str:
        return "M" + "L".join(f"{x:.3f} {y:.3f}" for x, y in ring) + "Z"

    parts = [
        f'<path class="outline" d="{path([(0, 0), (width, 0), (width, height), (0, height)])}"/>'
    ]
    for region in notes.regions:
        title = escape(f"{region.kind}: {region.name}" if region.name else region.kind)
        parts.append(
            f'<path class="region {region.kind}" fill="{FILLS[region.kind]}" fill-opacity="0.5"'
            f' d="{path(list(region.corners))}"><title>{title}</title></path>'
        )
    for pad in result.pads:
        parts.append(f'<path class="pad" d="{path(pad_ring(pad, result.per_px))}">'
                     f"<title>pad {escape(pad.number)}{', by hand' if pad.by_hand else ''}"
                     "</title></path>")  # fmt: skip
    for marking in notes.markings:
        if marking.place is not None:
            x, y = marking.place
            parts.append(f'<text x="{x:.3f}" y="{y:.3f}" font-size="{14 * stroke:.3f}"'
                         f' fill="#444" stroke="none">{escape(marking.text)}</text>')  # fmt: skip
    said = by_hand_line(result)
    margin = 4 * stroke
    w, h = round(width + 2 * margin, 3), round(height + 2 * margin, 3)
    box = f"{-margin:.3f} {-margin:.3f} {w:.3f} {h:.3f}"
    return "\n".join([
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" width="{w / 1000:.6f}mm"'
        f' height="{h / 1000:.6f}mm">',
        f"<title>Die, {width:.1f} x {height:.1f} {result.unit}</title>",
        *([f"<desc>{escape(said)}</desc>"] if said else []),
        f'<g fill="none" stroke="#111" stroke-width="{stroke:.3f}">', *parts, "</g>", "</svg>", "",
    ])  # fmt: skip


def as_dxf(result: DieResult, notes: DieNotes) -> str:
    """The same as a DXF of release 2010 in um, closed polylines on layers of their own."""
    from ezdxf.filemanagement import new

    width, height = _size(result)
    made = new("R2010")
    made.header["$INSUNITS"] = MICRONS
    if result.by_hand:
        made.header.custom_vars.append("Corrected by hand", "; ".join(result.by_hand))
    for name, colour in LAYERS.items():
        made.layers.add(name, color=colour)
    space = made.modelspace()

    def draw(ring: Ring, layer: str) -> None:
        space.add_lwpolyline([(x, height - y) for x, y in ring], close=True,
                             dxfattribs={"layer": layer})  # fmt: skip

    def write(text: str, x: float, y: float, size: float) -> None:
        space.add_text(text, height=size, dxfattribs={"layer": "TEXT", "insert": (x, height - y)})

    draw([(0, 0), (width, 0), (width, height), (0, height)], "OUTLINE")
    for pad in result.pads:
        ring = pad_ring(pad, result.per_px)
        draw(ring, "PADS")
        side = min(pad.width, pad.height) * result.per_px
        write(pad.number, ring[3][0] + 0.1 * side, ring[3][1] - 0.1 * side, 0.3 * side)
    letter = max(width, height) / 60
    for region in notes.regions:
        draw(list(region.corners), "REGIONS")
        write(f"{region.kind} {region.name}".strip(), *region.middle, letter)
    for marking in notes.markings:
        if marking.place is not None:
            write(marking.text, *marking.place, letter)
    stream = io.StringIO()
    made.write(stream)
    return stream.getvalue()


def as_csv(result: DieResult) -> str:
    """The pads, one a line (RFC 4180), from the die's top left corner, y down."""
    unit, per = result.unit, result.per_px
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    sizes = (f"{name} ({unit})" for name in ("x", "y", "width", "height"))
    writer.writerow(["number", "side", "row", *sizes, "by", "number by"])
    for pad in result.pads:
        numbers = (f"{v * per:.3f}" for v in (pad.x, pad.y, pad.width, pad.height))
        by = "hand" if pad.by_hand else "measured"
        number_by = "hand" if pad.numbered_by_hand else "count"
        writer.writerow([pad.number, pad.side, pad.row, *numbers, by, number_by])
    return stream.getvalue()
