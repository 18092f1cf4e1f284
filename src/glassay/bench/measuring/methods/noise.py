"""Noise against light, from pairs of exposures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from glassay.bench.measuring.methods.contract import (
    Method,
    Outcome,
    Settings,
    area,
    box_only,
    photo_facts,
)
from glassay.errors import NotMeasurable


def _noise_version() -> str:
    from glassay.noise import METHOD_VERSION

    return METHOD_VERSION


def _measure_noise(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.imaging import read_photo
    from glassay.noise import measure_photos

    photos = [read_photo(path) for path in paths]
    facts = photo_facts(photos[0])
    box = area(settings)
    if len(photos) % 2 and len(photos) > 1:
        photos = photos[:-1]
    if len({(photo.width, photo.height) for photo in photos}) > 1:
        raise NotMeasurable("the exposures differ in size")
    cut = photos if box is None else [photo.crop(box) for photo in photos]
    result = measure_photos(cut, notes=photos[0].notes)
    return Outcome(result.findings(), result.notes, result.evidence(), facts)


METHODS = (Method("noise", ("repeat pair",), _noise_version, box_only, _measure_noise),)
