"""The detail in photos: edges, bars, pairs of exposures, and how many pixels are real."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from glassay import versions
from glassay.bench.document.model import Bench, Capture, ObjectKind
from glassay.bench.keeping.results import Column
from glassay.bench.measuring.methods.contract import (
    Method,
    Outcome,
    Settings,
    ValueColumn,
    area,
    box_and_tone,
    box_only,
    only_photo,
    photo_facts,
    photo_of,
    word_for,
)
from glassay.bench.measuring.methods.scale import pattern_of, scale_in
from glassay.detail.edge_groups import GROUPS
from glassay.detail.grey_levels import check_palette
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.imaging import Photo


def _measure_edge(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.detail.edge import measure_edges
    from glassay.sampling.evidence import compression_notes

    photo = only_photo(paths, "an edge", settings.get("tone"))
    check_palette(photo.facts)
    response = measure_edges(
        photo.linear_grey(), box=area(settings), full=photo.at_full_scale(),
        notes=(*photo.notes, *compression_notes(photo.facts)), other_tones=photo.other_tones,
        quantization=photo.facts.get("quantization"),
    )  # fmt: skip
    return Outcome(response.findings(), response.notes, response.evidence(), photo_facts(photo))


def _measure_wiring(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.detail.wiring_response import response_of_wiring

    photo = only_photo(paths, "a chip", settings.get("tone"))
    check_palette(photo.facts)
    box = area(settings)
    one = photo if box is None else photo.crop(box)
    found = response_of_wiring(
        one.linear_grey(), full=one.at_full_scale(), notes=photo.notes,
        other_tones=photo.other_tones, quantization=photo.facts.get("quantization"),
    )  # fmt: skip
    return Outcome(found.findings(), found.notes, found.evidence(), photo_facts(photo))


def _lines_settings(bench: Bench, capture: Capture) -> dict[str, Any]:
    own = {"pattern": pattern_of(bench, capture), "word": word_for(capture)}
    return {**box_and_tone(bench, capture), **own}


def _measure_lines(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.detail.across_field import KEY as CORNER
    from glassay.detail.across_field import in_words
    from glassay.detail.line_response import response_of_lines
    from glassay.detail.line_result import METHOD as METHOD_OF_LINES
    from glassay.detail.lines_across import corner_ratio_of_lines

    photo = only_photo(paths, "a ruled scale", settings.get("tone"))
    check_palette(photo.facts)
    scale = scale_in(paths, photo.measuring_grey(), settings)
    if scale.pattern != "ruled":
        raise NotMeasurable("it shows a grid, and no long lines of which a response could be read")
    light, tables = photo.linear_grey(), photo.facts.get("quantization")
    found = response_of_lines(
        light, scale.segments, scale.division.value, tables, photo.other_tones
    )
    findings, notes = dict(found.findings()), found.notes
    corner = corner_ratio_of_lines(light, scale.segments, scale.division.value, found, tables)
    if corner is not None:
        findings[CORNER] = Finding(corner, METHOD_OF_LINES)
        notes = (*notes, in_words(corner))
    return Outcome(findings, notes, found.evidence(), photo_facts(photo))


def _bars_settings(bench: Bench, capture: Capture) -> dict[str, Any]:
    own = {} if capture.largest_group is None else {"group": capture.largest_group}
    return {**box_and_tone(bench, capture), **own}


def _measure_bars(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.detail.bars import measure_bars

    photo = only_photo(paths, "a bar target", settings.get("tone"))
    result = measure_bars(
        photo.linear_grey(), group=settings.get("group"), box=area(settings),
        full=photo.at_full_scale(), notes=photo.notes, other_tones=photo.other_tones,
        quantization=photo.facts.get("quantization"),
    )  # fmt: skip
    return Outcome(result.findings(), result.notes, result.evidence(), photo_facts(photo))


def _measure_repeat(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.detail.correlation import repeat_exposures

    photos = _cut(paths, settings)
    result = repeat_exposures([photo.linear_grey() for photo in photos], notes=photos[0].notes)
    return Outcome(
        result.findings(), result.notes, thinned(result.evidence()), photo_facts(photos[0])
    )


def _measure_native(paths: Sequence[Path], settings: Settings) -> Outcome:
    from glassay.sampling.native import native

    photos = _cut(paths, settings)
    result = native([photo.stored for photo in photos], facts=photos[0].facts)
    if result.verdict == "cannot tell" and len(photos) == 1:
        raise NotMeasurable(f"one photo cannot tell how many pixels are real; {result.advice}")
    pieces = tuple(f"{piece.name}: {piece.says}" for piece in result.evidence)
    advice = (f"it cannot be told how many pixels are real; {result.advice}",)
    notes = (*(advice if result.advice else ()), *result.notes, *pieces)
    evidence = thinned(result.evidence_for_drawing())
    findings = result.findings()
    # A bench counts detail for whole settings, from all that shows it.
    findings.pop("detail_megapixels", None)
    return Outcome(findings, notes, evidence, photo_facts(photos[0]))


def _cut(paths: Sequence[Path], settings: Settings) -> list[Photo]:
    photos = [photo_of(path) for path in paths]
    box = area(settings)
    return photos if box is None else [photo.crop(box) for photo in photos]


MOST_POINTS = 400
"""Points of a curve that are kept for drawing: as many as a figure is wide in px."""


def thinned(evidence: Mapping[str, Any]) -> dict[str, Any]:
    """Evidence with its long curves thinned to `MOST_POINTS`, the highest point of each run kept.

    A curve that goes down into noise loses its depth that way, never a peak.
    """
    return {key: _thin(value) for key, value in evidence.items()}


def _thin(value: Any) -> Any:
    if isinstance(value, Mapping):
        return thinned(value)
    if isinstance(value, tuple):
        return tuple(_thin(part) for part in value)
    if not isinstance(value, np.ndarray) or value.ndim != 1 or value.size <= MOST_POINTS:
        return value
    starts = np.unique(np.linspace(0, value.size, MOST_POINTS, endpoint=False).astype(int))
    return np.maximum.reduceat(value, starts)


def _first_of_its_setting(bench: Bench, capture: Capture) -> bool:
    """Of several photos of scales in one setting the first shows its edges as well as the others.

    Chips and what else is photographed for its detail are all looked at.
    """
    if bench.object(capture.object).kind not in SCALES:
        return True
    place = (capture.instrument, capture.setting)
    first = next(
        one
        for one in bench.captures
        if (one.instrument, one.setting) == place and bench.object(one.object).kind in SCALES
    )
    return first.id == capture.id


SCALES: tuple[ObjectKind, ...] = ("ruled scale", "grid")

NAMES = {
    "frequency_50": "50 % modulation",
    "frequency_10": "10 % modulation",
    **{key: f"50 % modulation, {words}" for key, words in GROUPS.items()},
    "edge_width_10_90": "width of an edge, 10 to 90 %",
    "overshoot": "overshoot of edges",
    "edges": "edges used",
    "finest_group": "finest group resolved",
    "finest_element": "finest element resolved",
    "finest_frequency": "finest bars resolved",
    "contrast_threshold": "contrast at which bars count as resolved",
    "elements": "elements read",
    "frc_cutoff": "end of repeatable detail",
    "frc_cutoff_x": "end of repeatable detail along x",
    "frc_cutoff_y": "end of repeatable detail along y",
    "frc_period": "finest period that repeats",
    "frc_reaches_nyquist": "detail repeats up to the limit of the pixels",
    "detail_ratio": "detail against that predicted",
    "line_width": "width of the slide's lines",
    "line_ratio_corner": "finest line in the corners over that in the centre",
    # pixels
    "native_width": "native width",
    "native_height": "native height",
    "native_megapixels": "native pixels",
    "native_verdict": "pixels are",
    "enlargement": "enlargement",
    "detail_megapixels": "pixels that would carry the detail",
}  # fmt: skip

SHARES = (
    "overshoot",
    "contrast_threshold",
)

WIRING = "response of wiring"
"""Stands before the edge response, whose findings have the same names: it allows for what lies
beside an edge."""

METHODS = (
    Method(
        WIRING, (), versions.WIRING, box_and_tone, _measure_wiring, aside=("chip",),
        drawing="glassay.report.evidence_edge:wiring_figures", overlay="glassay.web.overlay:pieces",
        columns=(
            ValueColumn(
                Column("line_ratio_corner", "corners", "x",
                       "how many times wider lines must be in the corners than in the centre, in the"
                       " setting where least", "lower"),
                ("line_ratio_corner",), False,
                "no photo shows enough edges or lines both in the centre and in the corners",
            ),
        ),
    ),
    Method(
        "edge response", ("edge",), versions.DETAIL, box_and_tone, _measure_edge,
        aside=("chip", "ruled scale"), wanted=_first_of_its_setting, names=NAMES, shares=SHARES,
        drawing="glassay.report.evidence_edge:figures", overlay="glassay.web.overlay:edges",
    ),
    Method(
        "superposed lines", (), versions.LINES, _lines_settings, _measure_lines,
        aside=("ruled scale",), wanted=_first_of_its_setting,
    ),
    Method("bar target", ("bar target",), versions.DETAIL, _bars_settings, _measure_bars, slow=True,
           drawing="glassay.report.evidence_bars:figures", overlay="glassay.web.overlay:bars"),
    Method("repeated exposures", ("repeat pair",), versions.DETAIL, box_only, _measure_repeat,
           drawing="glassay.report.evidence_repeat:figures"),
    Method(
        "native sampling", ("repeat pair",), versions.DETAIL, box_only, _measure_native,
        aside=("chip",), drawing="glassay.report.evidence_native:figures",
    ),
)  # fmt: skip
