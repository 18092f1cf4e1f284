"""What changes across the field: evenness of light, geometric distortion, lateral colour."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from glassay.bench.measuring.methods.contract import (
    Method,
    Outcome,
    Settings,
    box_only,
    only_photo,
    photo_facts,
)

LOSSY = ("JPEG", "MPO", "HEIF", "WEBP")
"""Formats that are taken to have lost fine colour."""


def _field_version() -> str:
    from glassay.field import METHOD_VERSION

    return METHOD_VERSION


def _measure_evenness(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.field import measure_evenness

    photo = only_photo(paths, "a flat field")
    result = measure_evenness(photo.linear_light(), full=photo.at_full_scale(), notes=photo.notes)
    return Outcome(result.findings(), result.notes, result.evidence(), photo_facts(photo))


def _measure_distortion(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.bench.measuring.joined import view_of
    from glassay.field import measure_distortion

    photo = only_photo(paths, "a grid")
    view = view_of(photo.measuring_grey(), shows="grid")
    result = measure_distortion([view], (photo.height, photo.width), notes=photo.notes)
    return Outcome(result.findings(), result.notes, result.evidence(), photo_facts(photo))


def _measure_colour(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.field import measure_lateral_colour

    photo = only_photo(paths, "a grid or an edge")
    result = measure_lateral_colour(
        photo.linear_light(), full=photo.at_full_scale(),
        compressed=photo.facts.get("format") in LOSSY, notes=photo.notes,
    )  # fmt: skip
    return Outcome(result.findings(), result.notes, result.evidence(), photo_facts(photo))


METHODS = (
    Method("evenness", ("flat field",), _field_version, box_only, _measure_evenness),
    Method("distortion", ("grid",), _field_version, box_only, _measure_distortion),
    # Photos of one edge rarely reach the corners; a grid does.
    Method("lateral colour", ("grid",), _field_version, box_only, _measure_colour),
)
