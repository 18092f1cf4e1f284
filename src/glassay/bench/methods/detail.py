"""The detail in photos: edges, bars, pairs of exposures, and how many pixels are real."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from glassay.bench.methods.contract import (
    Method,
    Outcome,
    Settings,
    area,
    box_only,
    only_photo,
    photo_facts,
)
from glassay.errors import NotMeasurable

DETAIL_VERSION = "1"
"""Part of the key of edge, repeat and native results; raised whenever a number may change."""


def _detail_version() -> str:
    return DETAIL_VERSION


def _measure_edge(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.detail.edge import measure_edges

    photo = only_photo(paths, "an edge")
    response = measure_edges(
        photo.linear_grey(), box=area(settings), full=photo.at_full_scale(), notes=photo.notes
    )
    return Outcome(response.findings(), response.notes, response.evidence(), photo_facts(photo))


def _measure_bars(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.detail.bars import measure_bars

    photo = only_photo(paths, "a bar target")
    result = measure_bars(
        photo.linear_grey(), box=area(settings), full=photo.at_full_scale(), notes=photo.notes
    )
    return Outcome(result.findings(), result.notes, result.evidence(), photo_facts(photo))


def _measure_repeat(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.detail.correlation import repeat_exposures
    from glassay.imaging import read_photo

    photos = [read_photo(path) for path in paths]
    box = area(settings)
    cut = photos if box is None else [photo.crop(box) for photo in photos]
    result = repeat_exposures([photo.linear_grey() for photo in cut], notes=photos[0].notes)
    return Outcome(result.findings(), result.notes, None, photo_facts(photos[0]))


def _measure_native(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.imaging import read_photo
    from glassay.sampling import native

    photos = [read_photo(path) for path in paths]
    box = area(settings)
    cut = photos if box is None else [photo.crop(box) for photo in photos]
    result = native([photo.stored for photo in cut], facts=photos[0].facts)
    pieces = tuple(f"{piece.name}: {piece.says}" for piece in result.evidence)
    if result.verdict == "cannot tell":
        raise NotMeasurable(f"cannot tell how many pixels are real; {result.advice}")
    return Outcome(result.findings(), (*result.notes, *pieces), None, photo_facts(photos[0]))


METHODS = (
    Method("edge response", ("edge",), _detail_version, box_only, _measure_edge),
    Method("bar target", ("bar target",), _detail_version, box_only, _measure_bars),
    Method("repeated exposures", ("repeat pair",), _detail_version, box_only, _measure_repeat),
    Method("native sampling", ("repeat pair",), _detail_version, box_only, _measure_native),
)
