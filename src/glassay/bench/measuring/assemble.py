"""Everything derived from the results of captures, and the one file that holds it all."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from glassay import __version__
from glassay.bench.chip.same_chip import SameChip, same_chip_as_json
from glassay.bench.document.filed import read_checksums
from glassay.bench.document.model import Bench
from glassay.bench.judging.contradictions import find_contradictions
from glassay.bench.judging.judge import judge, withhold
from glassay.bench.judging.missing import missing_files
from glassay.bench.judging.need_answers import needs_as_json
from glassay.bench.judging.needs import answer_needs
from glassay.bench.judging.standing import lengthless, of_doubtful_scale, sound
from glassay.bench.keeping.checksums import contents_of
from glassay.bench.keeping.plain import value_to_plain
from glassay.bench.keeping.results import (
    BenchResults,
    CaptureResult,
    Cell,
    SameField,
    SettingResult,
    Verdict,
)
from glassay.bench.measuring.clip_lengths import on_the_object
from glassay.bench.measuring.finer_instrument import (
    compare_with_finer,
    comparison_keys,
    joined,
    kept_comparisons,
)
from glassay.bench.measuring.matching import kept_matches, match_chips, match_keys
from glassay.bench.measuring.methods.match import BY_FINER
from glassay.bench.measuring.mosaic_lengths import across_the_chip
from glassay.bench.measuring.run import (
    Progress,
    kept_keys,
    measure_captures,
    stored_captures,
)
from glassay.bench.measuring.sensor_die import on_the_die
from glassay.bench.measuring.settings import settle
from glassay.bench.saying.contradictions import said
from glassay.bench.table.comparison import compare, same_fields
from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.heap import nothing_collected
from glassay.optics.readings import FIELD_NUMBER_ROUNDING_MM, Reading
from glassay.quantity import Quantity
from glassay.sampling.binding import Binding

RESULTS_FILE = "results.json"


def run_bench(
    bench: Bench,
    *,
    jobs: int | None = None,
    cluster: str | None = None,
    progress: Callable[[Progress], None] = lambda _: None,
) -> BenchResults:
    """Measure what is new or changed, judge, compare, and write `results/results.json`.

    `cluster`: see `measure_captures`.
    Raises `Unusable` when the results folder cannot be written. A KeyboardInterrupt passes
    through, with finished measurements kept.
    """
    captures = measure_captures(bench, jobs=jobs, cluster=cluster, progress=progress)
    results = assemble(bench, captures)
    matches = match_chips(results, jobs=jobs, cluster=cluster, progress=progress)
    compared = compare_with_finer(results, matches, jobs=jobs, cluster=cluster, progress=progress)
    results = _with_matches(results, joined(captures, compared), matches)
    text = json.dumps(results_as_json(results), indent=1, allow_nan=False)
    write_atomically(bench.results_folder / RESULTS_FILE, text.encode())
    return results


def read_results(bench: Bench) -> BenchResults:
    """What the kept results say, measuring nothing."""
    with nothing_collected():
        return _read_results(bench)


def _read_results(bench: Bench) -> BenchResults:
    captures = stored_captures(bench)
    results = assemble(bench, captures)
    try:
        matches = kept_matches(results)
    except Unusable:  # a photo of a chip cannot be read; its capture says so
        matches = ()
    compared = kept_comparisons(results, matches)
    return _with_matches(results, joined(captures, compared), matches)


def current_keys(bench: Bench) -> frozenset[str]:
    """Names of all kept results that count now; others belong to earlier states of the bench."""
    results = assemble(bench, stored_captures(bench))
    compared = comparison_keys(results, kept_matches(results))
    return kept_keys(bench) | match_keys(bench) | compared


def _with_matches(
    results: BenchResults, captures: Sequence[CaptureResult], matches: Sequence[SameChip]
) -> BenchResults:
    """The results again where matches add to them: calibrations that disagree, responses that a
    finer instrument tells."""
    apart = any(pair.verdict == "disagree" for chip in matches for pair in chip.pairs)
    more = any(part.method == BY_FINER for one in captures for part in one.parts)
    if not apart and not more:
        return results
    return assemble(results.bench, captures, matches if apart else ())


def assemble(
    bench: Bench, measured: Sequence[CaptureResult], matches: Sequence[SameChip] = ()
) -> BenchResults:
    """Settings, contradictions, verdicts and comparison from the results of captures.

    What contradicts itself stays among captures and settings, where it can be looked at; no
    verdict and no cell of the comparison leans on it.
    """
    captures, settings = _settled(bench, measured)
    contents, kept = contents_of(bench), read_checksums(bench.folder)
    changed = [name for name, now in contents.items() if kept.get(name, now) != now]
    found = (
        *missing_files(bench),
        *find_contradictions(bench, settings, captures, matches, contents, changed),
    )
    verdicts = judge(bench, settings, captures)
    shown, standing = captures, settings
    if any(one.touches != "nothing" for one in found):
        shown, standing = _settled(bench, sound(measured, found))
        of_no_length = verdicts
        if of_doubtful_scale(found):
            bare, bare_settings = _settled(bench, lengthless(measured, found))
            of_no_length = judge(bench, bare_settings, bare)
        verdicts = withhold(bench, verdicts, judge(bench, standing, shown), of_no_length, found)
    table = compare(bench, standing, verdicts, shown)
    beside = tuple(said(one, bench) for one in found if one.touches == "nothing")
    return BenchResults(
        bench, captures, settings, verdicts, replace(table, notes=(*table.notes, *beside)),
        same_fields(standing), _assumptions(bench, captures, settings), found,
    )  # fmt: skip


def _settled(
    bench: Bench, captures: Sequence[CaptureResult]
) -> tuple[tuple[CaptureResult, ...], tuple[SettingResult, ...]]:
    captures = across_the_chip(bench, on_the_object(bench, captures))
    settings = settle(bench, captures)
    return tuple(on_the_die(bench, settings, captures)), settings


def _assumptions(
    bench: Bench, captures: Sequence[CaptureResult], settings: Sequence[SettingResult]
) -> tuple[str, ...]:
    found = []
    used = {one.capture.object for one in captures if one.status == "measured"}
    for thing in bench.objects:
        if thing.id not in used or thing.division_um is None or thing.certificate is not None:
            continue
        name = f"the division of {thing.name or thing.id!r}"
        if thing.tolerance is None:
            from glassay.scale import ASSUMED_TOLERANCE

            found.append(
                f"{name} has no certificate; a tolerance of {ASSUMED_TOLERANCE:.1%} is assumed"
            )
        else:
            found.append(f"{name} is taken to keep its stated tolerance of {thing.tolerance:.2%}")
    if any(one.reading("visual_magnification_measured") for one in settings):
        found.append(
            f"engraved field numbers are taken as rounded (within {FIELD_NUMBER_ROUNDING_MM:g} mm)"
        )
    if any(one.reading("field_equivalent_magnification") for one in settings):
        view = bench.reference_view
        if view.instrument is None:
            found.append(
                "field-equivalent magnification compares with a"
                f" {view.eyepiece:g}x eyepiece of field number {view.field_number_mm:g}"
            )
    display = bench.display
    if display is not None and display.diagonal_in is not None and display.columns is None:
        found.append(f"the {display.diagonal_in:.3g}-inch display is taken to be 16:9")
    return tuple(found)


def results_as_json(results: BenchResults) -> dict[str, Any]:
    """The whole bench as plain data; docs/json.md describes it."""
    bench = results.bench
    missing = [{"id": one.capture.id, "reason": one.reason} for one in bench.missing]
    return ({"missing": missing} if missing else {}) | {
        "glassay": __version__,
        "bench": {"title": bench.title, "note": bench.note},
        "captures": [_capture_json(one) for one in results.captures],
        "settings": [_setting_json(one) for one in results.settings],
        "verdicts": [_verdict_json(one) for one in results.verdicts],
        "comparison": {
            "columns": [
                {"id": c.id, "title": c.title, "unit": c.unit, "definition": c.definition,
                 "better": c.better}
                for c in results.comparison.columns
            ],
            "rows": [
                {"id": row.id, "title": row.title,
                 "cells": {key: _cell_json(cell) for key, cell in row.cells.items()}}
                for row in results.comparison.rows
            ],
            "notes": list(results.comparison.notes),
        },
        "same_field": [_same_field_json(one) for one in results.same_field],
        "needs": needs_as_json(answer_needs(results)),
        "same_chip": [same_chip_as_json(one) for one in kept_matches(results)],
        "assumptions": list(results.assumptions),
        "contradictions": [
            {"kind": one.kind, "captures": list(one.captures), "sentence": said(one, bench),
             "places": [{"instrument": i, "setting": s} for i, s in one.places],
             "numbers": [number.as_json() for number in one.numbers]}
            for one in results.contradictions
        ],
    }  # fmt: skip


def _capture_json(one: CaptureResult) -> dict[str, Any]:
    capture = one.capture
    data: dict[str, Any] = {
        "id": capture.id, "files": list(capture.files), "instrument": capture.instrument,
        "setting": capture.setting, "object": capture.object, "status": one.status,
        "findings": {key: finding.as_json() for key, finding in one.findings.items()},
        "notes": list(one.notes),
    }  # fmt: skip
    return data | ({"reason": one.reason} if one.reason else {})


def _setting_json(one: SettingResult) -> dict[str, Any]:
    return {
        "instrument": one.instrument.id, "setting": one.setting.id,
        "findings": {key: finding.as_json() for key, finding in one.findings.items()},
        "readings": [_reading_json(reading) for reading in one.readings],
        "captures": list(one.captures), "picture": one.picture, "notes": list(one.notes),
        "binding": None if one.binding is None else _binding_json(one.binding),
    }  # fmt: skip


def _binding_json(binding: Binding) -> dict[str, Any]:
    return {
        "cause": binding.cause, "sentence": binding.sentence,
        "resolved": [q.as_json() for q in binding.resolved],
        "detail_pixels": binding.detail_pixels.as_json(), "file_pixels": binding.file_pixels,
        "limits": [
            {"cause": limit.cause, "frequency": limit.frequency, "says": limit.says}
            for limit in binding.limits
        ],
        "notes": list(binding.notes),
    }  # fmt: skip


def _reading_json(reading: Reading) -> dict[str, Any]:
    return {
        "key": reading.key, "name": reading.name, "definition": reading.definition,
        "basis": reading.basis, **reading.value.as_json(),
    }  # fmt: skip


def _verdict_json(one: Verdict) -> dict[str, Any]:
    claim = one.claim
    return {
        "instrument": one.instrument, "claim": claim.id, "kind": claim.kind, "stated": claim.text,
        "where": claim.where, "claimed": claim.value, "unit": claim.unit, "sense": claim.sense,
        "verdict": one.word, "sentence": one.sentence, "rule": one.rule,
        "value": _maybe(one.value), "setting": one.setting,
        "readings": [
            {**_reading_json(judged.reading), "setting": judged.setting, "zoom": judged.zoom,
             "counted": judged.counted.as_json(), "claimed": judged.claimed,
             "verdict": judged.verdict}
            for judged in one.readings
        ],
        "display_width_needed": _maybe(one.display_width_needed),
        "detail_limit": _maybe(one.detail_limit), "details": list(one.details),
    }  # fmt: skip


def _same_field_json(one: SameField) -> dict[str, Any]:
    return {
        "instrument": one.instrument, "setting": one.setting,
        "reference_instrument": one.reference_instrument,
        "reference_setting": one.reference_setting, "ratio": one.ratio.as_json(),
        "reference_magnification": one.reference_magnification,
        "equivalent": _maybe(one.equivalent), "sentence": one.sentence,
    }  # fmt: skip


def _cell_json(cell: Cell) -> dict[str, Any]:
    out: dict[str, Any] = {"value": value_to_plain(cell.value)}
    if cell.setting is not None:
        out["setting"] = cell.setting
    more = {"why": cell.why, "bound": cell.bound, "note": cell.note}
    return out | {key: text for key, text in more.items() if text}


def _maybe(quantity: Quantity | None) -> dict[str, Any] | None:
    return None if quantity is None else quantity.as_json()
