"""Reading what is noted by hand of a die, from TOML or GeoJSON, with what is wrong and where."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, get_args

from glassay.bench.document.die_notes import (
    KINDS,
    NOTHING_NOTED,
    DieAbout,
    DieNotes,
    Layer,
    LayerBy,
    LayerMark,
    Marking,
    OutlineByHand,
    Point,
    Region,
    RegionKind,
)
from glassay.die import TURNS, Corrections, PointedOutline, checked_number, is_mirrored
from glassay.errors import Unusable
from glassay.quantity import Contribution, Quantity
from glassay.units import parse_length_um

AT_95 = Quantity.of(1.0, 1.0, "um").expanded
"""What stands in the file is stated at 95 %; this is it over the standard uncertainty."""

MOST_BYTES = 20_000_000
"""Largest file of notes that is read: some hundred thousand corners."""


def read_die_notes(path: Path, die_height_um: float | None = None) -> DieNotes:
    """The notes in a TOML or GeoJSON file, told by its content.

    `die_height_um` turns GeoJSON's upward y round; without it nothing is taken from GeoJSON. Raises
    `Unusable` with what is wrong and where.
    """
    text = _text_of(path)
    try:
        if text.lstrip().startswith("{"):
            data = json.loads(text)
            return NOTHING_NOTED if die_height_um is None else _of_geojson(data, die_height_um)
        return parse_die_notes(text)
    except json.JSONDecodeError as error:
        raise Unusable(f"{path.name}: {error}") from None
    except RecursionError:
        raise Unusable(f"{path.name}: it is nested too deeply") from None
    except Unusable as error:
        raise Unusable(f"{path.name}: {error}") from None


def _text_of(path: Path) -> str:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise Unusable(f"{path.name}: {path.stat().st_size} bytes are too many for notes")
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise Unusable(f"{path}: there is no such file") from None
    except OSError as error:
        raise Unusable(f"{path}: cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise Unusable(f"{path.name}: this is no text in UTF-8") from None


def parse_die_notes(text: str) -> DieNotes:
    """The notes in a text in TOML. Raises `Unusable` with what is wrong and where."""
    try:
        return _of_toml(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise Unusable(str(error)) from None


def _of_toml(data: Mapping[str, Any]) -> DieNotes:
    known = ("region", "marking", "pad", "no_pad", "numbering", "outline", "finest_line",
             "finest_pitch", "layer", "about")  # fmt: skip
    unknown = sorted(set(data) - set(known))
    if unknown:
        raise Unusable(f"{unknown[0]!r} is none of {', '.join(known)}")
    regions = tuple(_region(one, f"region {n}") for n, one in enumerate(_tables(data, "region"), 1))
    markings = []
    for n, one in enumerate(_tables(data, "marking"), 1):
        place = one.get("place")
        markings.append(Marking(_text(one.get("text"), f"marking {n}"),
                                None if place is None else _point(place, f"marking {n}")))  # fmt: skip
    about = _about(data.get("about", {}))
    layers = tuple(_layer(one, f"layer {n}") for n, one in enumerate(_tables(data, "layer"), 1))
    return DieNotes(regions, tuple(markings), about, _corrections(data), _outline(data), layers)


LAYER_KEYS = (
    "name",
    "capture",
    "picture",
    "mirrored",
    "by",
    "turned",
    "marks",
    "corners",
    "within",
)


def _layer(one: Mapping[str, Any], where: str) -> Layer:
    unknown = sorted(set(one) - set(LAYER_KEYS))
    if unknown:
        raise Unusable(f"{where}: {unknown[0]!r} is none of {', '.join(LAYER_KEYS)}")
    name, capture, picture = (
        _text(one.get(key, ""), f"{where}: {key}") for key in ("name", "capture", "picture")
    )
    if not name or bool(capture) == bool(picture):
        raise Unusable(f"{where}: give a name, and either a capture or a picture")
    mirrored, by = one.get("mirrored", False), one.get("by", "likeness")
    if not isinstance(mirrored, bool):
        raise Unusable(f"{where}: mirrored is true or false")
    if by not in get_args(LayerBy):
        raise Unusable(f"{where}: by is none of {', '.join(get_args(LayerBy))}")
    layer = Layer(name, capture, picture, mirrored, by)
    told = sorted({"turned", "marks", "corners", "within"} & set(one))
    if by != "outline":
        if told:
            raise Unusable(f'{where}: {told[0]} needs by = "outline"')
        return layer
    return _of_outline(layer, one, where)


def _of_outline(layer: Layer, one: Mapping[str, Any], where: str) -> Layer:
    turned = one.get("turned")
    if turned is not None and turned not in TURNS:
        raise Unusable(f"{where}: turned is none of {', '.join(TURNS)}")
    if turned is not None and is_mirrored(turned) != layer.mirrored:
        word = "true" if is_mirrored(turned) else "false"
        raise Unusable(f"{where}: what is turned {turned!r} has mirrored = {word}")
    marks = tuple(_layer_mark(mark, where) for mark in _list(one.get("marks", []), where))
    if not marks and "corners" not in one:
        if "within" in one:
            raise Unusable(f"{where}: within belongs to marks or corners")
        return replace(layer, turned=turned)
    u_px = _within(one.get("within"), where)
    outline = None
    if "corners" in one:
        outline = PointedOutline(_four(one["corners"], f"{where}: corners"), u_px)
    return replace(layer, turned=turned, marks=marks, u_marks_px=u_px, outline=outline)


def _list(value: object, where: str) -> list[Any]:
    if not isinstance(value, list):
        raise Unusable(f"{where}: marks is a list")
    return value


def _layer_mark(one: object, where: str) -> LayerMark:
    """[x, y, x, y], or [a pad's number, x, y]."""
    where = f"{where}: a mark"
    if isinstance(one, list) and len(one) == 4:
        on_die: Point | str = _point(one[:2], where)
    elif isinstance(one, list) and len(one) == 3:
        on_die = _pad_number(one[0], where)
    else:
        raise Unusable(
            f"{where} is [x, y on the die in um, x, y in the layer in px] or [a pad's number, x, y]"
        )
    return LayerMark(on_die, _point(one[-2:], where, "px of the layer"))


def _within(value: object, where: str) -> float:
    """A standard uncertainty, px, from what is stated at 95 %."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e4:
        raise Unusable(f"{where}: within is above 0 px")
    return value / AT_95


def _four(corners: object, where: str) -> tuple[Point, ...]:
    if not isinstance(corners, list) or len(corners) != 4:
        raise Unusable(f"{where} are four points [x, y] in px of the photo")
    return tuple(_point(corner, where, "px of the photo") for corner in corners)


def _corrections(data: Mapping[str, Any]) -> Corrections:
    added, removed, numbers = [], [], []
    for n, one in enumerate(_tables(data, "pad"), 1):
        width, height = _point(one.get("size"), f"pad {n}: size")
        if width <= 0 or height <= 0:
            raise Unusable(f"pad {n}: its size is above 0")
        place = _point(one.get("place"), f"pad {n}")
        added.append((*place, width, height))
        if "number" in one:
            numbers.append((*place, _pad_number(one["number"], f"pad {n}")))
    for n, one in enumerate(_tables(data, "no_pad"), 1):
        removed.append(_point(one.get("place"), f"no_pad {n}"))
    first, clockwise, given = _numbering(data.get("numbering"))
    return Corrections(
        tuple(added), tuple(removed), _by_eye(data, "finest_line", "width"), first, clockwise,
        (*given, *numbers), _by_eye(data, "finest_pitch", "pitch"),
    )  # fmt: skip


def _numbering(data: object) -> tuple[Point | None, bool, list[tuple[float, float, str]]]:
    if data is None:
        return None, False, []
    if not isinstance(data, dict) or not set(data) <= {"first", "clockwise", "numbers"}:
        raise Unusable(
            "numbering: write first = [x, y] and clockwise = true or false, and numbers as a list of"
            ' [x, y, "number"]'
        )
    clockwise, told = data.get("clockwise", False), data.get("numbers", [])
    if not isinstance(clockwise, bool):
        raise Unusable("numbering: clockwise is true or false")
    if clockwise and "first" not in data:
        raise Unusable(
            "numbering: clockwise needs first = [x, y], the pad on which counting begins"
        )
    if not isinstance(told, list) or any(not isinstance(o, list) or len(o) != 3 for o in told):
        raise Unusable('numbering: numbers is a list of [x, y, "number"]')
    numbers = []
    for n, (x, y, number) in enumerate(told, 1):
        where = f"numbering: number {n}"
        numbers.append((*_point([x, y], where), _pad_number(number, where)))
    first = _point(data["first"], "numbering: first") if "first" in data else None
    return first, clockwise, numbers


def _pad_number(value: object, where: str) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        value = str(value)
    try:
        return checked_number(_text(value, where))
    except Unusable as error:
        raise Unusable(f"{where}: {error}") from None


def _outline(data: Mapping[str, Any]) -> OutlineByHand | None:
    told = data.get("outline")
    if told is None:
        return None
    wanted = {"corners", "within"}
    if not isinstance(told, dict) or not wanted <= set(told) <= {*wanted, "capture"}:
        raise Unusable("outline: write corners (four points, px), within (px) and capture")
    u_px = _within(told["within"], "outline")
    pointed = PointedOutline(_four(told["corners"], "outline: corners"), u_px)
    return OutlineByHand(pointed, _text(told.get("capture", ""), "outline: capture"))


def _by_eye(data: Mapping[str, Any], where: str, what: str) -> Quantity | None:
    """A length that a person read in the picture: the key `what` of the table `where`, and within."""
    told = data.get(where)
    if told is None:
        return None
    if not isinstance(told, dict) or set(told) != {what, "within"}:
        raise Unusable(f'{where}: write {what} = "1.2 um" and within = "0.2 um"')
    try:
        length, within = parse_length_um(told[what]), parse_length_um(told["within"])
    except Unusable as error:
        raise Unusable(f"{where}: {error}") from None
    if not 0 < within < length:
        raise Unusable(f"{where}: within is above 0 and below the {what}")
    seen = Contribution("read by eye", within / AT_95, scope="capture")
    return Quantity(length, "um", (seen,))


def _about(data: object) -> DieAbout:
    if not isinstance(data, dict):
        raise Unusable("about is no table: write [about]")
    names = {one.name for one in fields(DieAbout)}
    for key, value in data.items():
        if key not in names:
            raise Unusable(f"about: {key!r} is none of {', '.join(sorted(names))}")
        _text(value, f"about: {key}")
    about = DieAbout(**data)
    if about.licence_address and not about.licence_address.startswith(("https://", "http://")):
        raise Unusable("about: licence_address starts with https://")
    return about


def _tables(data: Mapping[str, Any], key: str) -> Sequence[Mapping[str, Any]]:
    tables = data.get(key, [])
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        raise Unusable(f"{key} is no list of tables: write [[{key}]]")
    return tables


def _region(one: Mapping[str, Any], where: str) -> Region:
    kind = _kind(one.get("kind", "unknown"), where)
    box, polygon = one.get("box"), one.get("polygon")
    if (box is None) == (polygon is None):
        raise Unusable(f"{where}: give either box or polygon")
    if box is not None:
        if not isinstance(box, list) or len(box) != 4:
            raise Unusable(f"{where}: box is x, y, width, height in um")
        (x, y), (w, h) = _point(box[:2], where), _point(box[2:], where)
        corners: tuple[Point, ...] = ((x, y), (x + w, y), (x + w, y + h), (x, y + h))
    else:
        if not isinstance(polygon, list):
            raise Unusable(f"{where}: polygon is a list of points")
        corners = tuple(_point(point, where) for point in polygon)
    return _closed(Region(kind, _text(one.get("name", ""), where), corners), where)


def _closed(region: Region, where: str) -> Region:
    if len(region.corners) < 3 or region.area_um2 <= 0:
        raise Unusable(f"{where}: it encloses no area")
    return region


def _kind(value: object, where: str) -> RegionKind:
    for kind in KINDS:
        if value == kind:
            return kind
    raise Unusable(f"{where}: kind {value!r} is none of {', '.join(KINDS)}")


def _text(value: object, where: str) -> str:
    if not isinstance(value, str):
        raise Unusable(f"{where}: {value!r} is no text")
    return value


def _point(value: object, where: str, unit: str = "um") -> Point:
    if isinstance(value, list) and len(value) in (2, 3):
        numbers = [v for v in value[:2] if isinstance(v, int | float) and not isinstance(v, bool)]
        if len(numbers) == 2 and all(abs(v) < 1e9 for v in numbers):
            return float(numbers[0]), float(numbers[1])
    raise Unusable(f"{where}: {value!r} is no point [x, y] in {unit}")


def _of_geojson(data: Mapping[str, Any], height: float) -> DieNotes:
    features = data.get("features") if data.get("type") == "FeatureCollection" else None
    if not isinstance(features, list):
        raise Unusable("this is no GeoJSON FeatureCollection")
    regions: list[Region] = []
    markings: list[Marking] = []
    for n, feature in enumerate(features, 1):
        where = f"feature {n}"
        if not isinstance(feature, dict):
            raise Unusable(f"{where}: it is no feature")
        about, shape = feature.get("properties") or {}, feature.get("geometry") or {}
        if not isinstance(about, dict) or not isinstance(shape, dict):
            raise Unusable(f"{where}: it has no properties or no geometry")
        if about.get("what", "region") not in ("region", "marking"):
            continue  # outline and pads, as they were written by us: measured, not noted
        at = shape.get("coordinates")
        if (
            shape.get("type") == "Polygon"
            and isinstance(at, list)
            and at
            and isinstance(at[0], list)
        ):
            ring = [_point(point, where) for point in at[0]]
            ring = ring[:-1] if len(ring) > 1 and ring[0] == ring[-1] else ring
            corners = tuple((x, height - y) for x, y in ring)
            kind = _kind(about.get("kind", "unknown"), where)
            regions.append(
                _closed(Region(kind, _text(about.get("name", ""), where), corners), where)
            )
        elif shape.get("type") == "Point":
            x, y = _point(at, where)
            markings.append(Marking(_text(about.get("text"), where), (x, height - y)))
        else:
            raise Unusable(f"{where}: {shape.get('type')!r} is neither Polygon nor Point")
    return DieNotes(tuple(regions), tuple(markings))
