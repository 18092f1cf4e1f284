"""Noise against light, from pairs of exposures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from glassay import versions
from glassay.bench.keeping.results import Column
from glassay.bench.measuring.methods.contract import (
    Method,
    Outcome,
    Settings,
    ValueColumn,
    area,
    box_only,
    photo_facts,
    photo_of,
)
from glassay.errors import NotMeasurable


def _measure_noise(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.noise import measure_photos

    photos = [photo_of(path) for path in paths]
    facts = photo_facts(photos[0])
    box = area(settings)
    if len(photos) % 2 and len(photos) > 1:
        photos = photos[:-1]
    if len({(photo.width, photo.height) for photo in photos}) > 1:
        raise NotMeasurable("the exposures differ in size")
    cut = photos if box is None else [photo.crop(box) for photo in photos]
    result = measure_photos(cut, notes=photos[0].notes)
    return Outcome(result.findings(), result.notes, result.evidence(), facts)


NAMES = {
    "temporal_noise": "noise from exposure to exposure",
    "snr_grey": "signal to noise of one pixel",
    "snr_at": "light at which that holds, of full scale",
    "noise_slope": "growth of noise variance with light",
    "noise_floor": "noise in the dark",
    "noise_reach": "frequency up to which noise survives",
    "full_scale_electrons": "electrons at full scale",
    "fixed_pattern": "fixed pattern",
    "noise_correlation": "correlation of noise between neighbouring pixels",
}  # fmt: skip

SHARES = (
    "temporal_noise",
    "noise_floor",
    "fixed_pattern",
    "noise_correlation",
    "snr_at",
)

METHODS = (
    Method(
        "noise", ("repeat pair",), versions.NOISE, box_only, _measure_noise, names=NAMES,
        shares=SHARES, drawing="glassay.report.evidence_noise:figures", columns=(
            ValueColumn(
                Column("snr_grey", "signal to noise", "dB",
                       "20 log10 of mean over noise of one pixel, at half of full scale", "higher"),
                ("snr_grey",), True, "no repeat pair reaches that grey",
                "glassay.bench.table.across_field:decibels",
            ),
        ),
    ),
)  # fmt: skip
