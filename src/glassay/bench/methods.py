"""Which measurement is made on which kind of reference object. A new one is one entry here.

A method gets the capture's files and its settings as plain data, because it runs in another
process, and returns an `Outcome` or raises `NotMeasurable` or `Unusable`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from glassay.bench.model import (
    Bench,
    Capture,
    ObjectKind,
    ReferenceObject,
)
from glassay.errors import NotMeasurable
from glassay.finding import Finding

Settings = Mapping[str, Any]


@dataclass(frozen=True)
class Outcome:
    """What a method found: findings by key, notes, evidence for drawing, facts of the files."""

    findings: Mapping[str, Finding]
    notes: tuple[str, ...] = ()
    evidence: Any = None
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Method:
    """One way to measure a capture.

    `settings` picks what the result depends on besides the files; `version` is raised whenever the
    same input may give another number.
    """

    name: str
    kinds: tuple[ObjectKind, ...]
    version: Callable[[], str]
    settings: Callable[[Bench, Capture], dict[str, Any]]
    measure: Callable[[Sequence[Path], Settings], Outcome]


def methods_for(kind: ObjectKind) -> tuple[Method, ...]:
    """The methods made on captures of this kind of object, in order."""
    return tuple(method for method in METHODS.values() if kind in method.kinds)


def _scale_version() -> str:
    from glassay.scale import METHOD_VERSION

    return METHOD_VERSION


def division_u(thing: ReferenceObject) -> tuple[float, bool]:
    """Standard uncertainty of an object's division (um), and whether it is only assumed.

    From the certificate: expanded / k. From a tolerance: a rectangular distribution of that
    half-width (JCGM 100:2008, 4.3.7).
    """
    from glassay.scale import ASSUMED_TOLERANCE

    if thing.certificate is not None:
        return thing.certificate.expanded_um / thing.certificate.k, False
    tolerance = ASSUMED_TOLERANCE if thing.tolerance is None else thing.tolerance
    return tolerance * (thing.division_um or 0.0) / math.sqrt(3), thing.tolerance is None


def _scale_settings(bench: Bench, capture: Capture) -> dict[str, Any]:
    thing = bench.object(capture.object)
    u, assumed = division_u(thing)
    value = thing.certificate.division_um if thing.certificate else thing.division_um
    pattern = "grid" if thing.kind == "grid" and capture.pattern == "auto" else capture.pattern
    return {
        "object": thing.id,
        "division_um": value,
        "division_u_um": u,
        "division_is_assumed": assumed,
        "pattern": pattern,
        "box": capture.box,
    }


def _measure_scale(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.imaging import read_photo
    from glassay.scale import Division, calibrate, measure_scale

    if len(paths) != 1:
        raise NotMeasurable("a capture of a ruled scale is one photo; file each as its own capture")
    photo = read_photo(paths[0])
    facts = photo_facts(photo)
    box = settings["box"]
    if box is not None:
        photo.crop(tuple(box))  # raises when it lies outside
    result = measure_scale(
        photo.measuring_grey(), pattern=settings["pattern"], box=None if box is None else tuple(box)
    )
    division = Division(
        settings["division_um"],
        settings["division_u_um"],
        identity=settings["object"],
        assumed=settings["division_is_assumed"],
    )
    calibration = calibrate(result, division)
    notes = tuple(dict.fromkeys((*photo.notes, *calibration.notes)))
    return Outcome(calibration.findings(), notes, result, facts)


def photo_facts(photo: Any) -> dict[str, Any]:
    """What a photo's file states, for result files and reports."""
    return {
        "width": photo.width,
        "height": photo.height,
        "format": photo.facts.get("format"),
        "bits": photo.facts.get("bits"),
        "bytes": photo.facts.get("bytes"),
        "exif": dict(photo.facts.get("exif", {})),
    }


DETAIL_VERSION = "1"
"""Part of the key of edge, repeat and native results; raised whenever a number may change."""


def _detail_version() -> str:
    return DETAIL_VERSION


def _box_only(bench: Bench, capture: Capture) -> dict[str, Any]:
    return {"box": capture.box}


def _measure_edge(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.detail.edge import measure_edges
    from glassay.imaging import read_photo

    if len(paths) != 1:
        raise NotMeasurable("a capture of an edge is one photo; file each as its own capture")
    photo = read_photo(paths[0])
    response = measure_edges(
        photo.linear_grey(), box=_area(settings), full=photo.at_full_scale(), notes=photo.notes
    )
    return Outcome(response.findings(), response.notes, response.evidence(), photo_facts(photo))


def _measure_bars(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.detail.bars import measure_bars
    from glassay.imaging import read_photo

    if len(paths) != 1:
        raise NotMeasurable("a capture of a bar target is one photo; file each as its own capture")
    photo = read_photo(paths[0])
    result = measure_bars(
        photo.linear_grey(), box=_area(settings), full=photo.at_full_scale(), notes=photo.notes
    )
    return Outcome(result.findings(), result.notes, result.evidence(), photo_facts(photo))


def _measure_repeat(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.detail.correlation import repeat_exposures
    from glassay.imaging import read_photo

    photos = [read_photo(path) for path in paths]
    area = _area(settings)
    cut = photos if area is None else [photo.crop(area) for photo in photos]
    result = repeat_exposures([photo.linear_grey() for photo in cut], notes=photos[0].notes)
    return Outcome(result.findings(), result.notes, None, photo_facts(photos[0]))


def _measure_native(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.imaging import read_photo
    from glassay.sampling import native

    photos = [read_photo(path) for path in paths]
    area = _area(settings)
    cut = photos if area is None else [photo.crop(area) for photo in photos]
    result = native([photo.stored for photo in cut], facts=photos[0].facts)
    pieces = tuple(f"{piece.name}: {piece.says}" for piece in result.evidence)
    if result.verdict == "cannot tell":
        raise NotMeasurable(f"cannot tell how many pixels are real; {result.advice}")
    return Outcome(result.findings(), (*result.notes, *pieces), None, photo_facts(photos[0]))


def _area(settings: Settings) -> tuple[int, int, int, int] | None:
    box = settings["box"]
    return None if box is None else (box[0], box[1], box[2], box[3])


METHODS: dict[str, Method] = {
    method.name: method
    for method in (
        Method(
            "ruled scale", ("ruled scale", "grid"), _scale_version, _scale_settings, _measure_scale
        ),
        Method("edge response", ("edge",), _detail_version, _box_only, _measure_edge),
        Method("bar target", ("bar target",), _detail_version, _box_only, _measure_bars),
        Method("repeated exposures", ("repeat pair",), _detail_version, _box_only, _measure_repeat),
        Method("native sampling", ("repeat pair",), _detail_version, _box_only, _measure_native),
    )
}
"""Every method by its name."""
