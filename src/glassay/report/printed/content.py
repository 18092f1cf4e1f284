"""What stands on the printed report, as plain data: the fillings of the page's own sections."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from glassay import __version__
from glassay.bench.keeping.results import CaptureResult
from glassay.bench.measuring.methods import METHODS
from glassay.bench.saying.finding_names import Shown, shown_of_capture, shown_of_setting
from glassay.bench.saying.words import say, say_length
from glassay.disk import content_hash
from glassay.errors import GlassayError
from glassay.optics.readings import without_repeats
from glassay.quantity import Quantity
from glassay.report.drawing import CaptureFigures, pieces_of
from glassay.report.evidence import draw_captures
from glassay.report.instrument.measured import hidden_of
from glassay.report.instrument.strip import strip_of
from glassay.report.numbers import SIGNS, prose, sentence
from glassay.report.parts import Report
from glassay.report.sections import (
    answer,
    assumptions,
    magnification,
    methods,
    needs,
    shots,
    teardown,
)

HASH_LETTERS = 12
"""Letters of a file's SHA-256 in the list of files: enough to tell files of one bench apart."""

MOST_DRAWINGS = 24
"""Drawings of evidence in print; the page has them all."""


def content_of(report: Report, folder: Path, *, whole: bool) -> dict[str, Any]:
    """All words and numbers; pictures are written into `folder` and named."""
    bench = report.results.bench
    pictures = _Pictures(folder)
    content: dict[str, Any] = {
        "title": bench.title, "note": bench.note, "written": report.written.isoformat(),
        "version": __version__, "whole": whole, "first": _first(report, pictures),
        "needs": _needs(report), "open": _open(report),
    }  # fmt: skip
    if whole:
        content |= {
            "instruments": list(_instruments(report, pictures)), "lanes": _lanes(report),
            "drawings": list(_drawings(report, pictures)), "methods": list(_methods(report)),
            "assumptions": list(_assumptions(report)), "files": list(_files(report)),
            "found": list(_found(report)), "refused": list(_refused(report)), "opened": _opened(report),
        }  # fmt: skip
    return content


class _Pictures:
    """Pictures as files beside the layout."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.count = 0

    def keep(self, data: bytes, suffix: str) -> str:
        """Write one and return its name."""
        self.count += 1
        name = f"picture-{self.count}{suffix}"
        (self.folder / name).write_bytes(data)
        return name

    def of_uri(self, uri: str) -> str:
        """A JPEG that the page carries as a data URI."""
        return self.keep(base64.b64decode(uri.partition(",")[2]), ".jpg")


def _first(report: Report, pictures: _Pictures) -> Mapping[str, Any]:
    told = answer.fill(report) or {}
    plate = told["plate"]
    if plate is not None:
        plate = {
            **{key: plate[key] for key in ("wide", "chip", "bar", "bar_share")},
            "panels": [{**panel, "picture": pictures.of_uri(panel["picture"])}
                       for panel in plate["panels"]],
            "left_out": [f"{who}: {prose(why)}" for who, why in plate["left_out"].items()],
        }  # fmt: skip
    return {
        "plate": plate,
        "picks": [[one.title, sentence(one.sentence)] for one in told["picks"]],
        "furthest": sentence(told["furthest"]),
        "contradictions": [sentence(one) for one in told["contradictions"]],
        "said": [sentence(one) for one in told["said"]],
        "heads": list(told["heads"]),
        "lines": [
            [letter, row.title, [[cell.text, cell.best] for cell in cells]]
            for row, letter, cells in told["lines"]
        ],
    }


def _needs(report: Report) -> Mapping[str, Any] | None:
    told = needs.fill(report)
    if told is None or not told["ranking"]:
        return None
    return {
        "heads": [[one.id, "must" if one.must else "wish"] for one in told["judged"]],
        "lines": [
            [f"{line['letter']} {line['title']}", str(line["rank"].place),
             [f"{SIGNS[one.word]} {one.word}" for one in line["answers"]]]
            for line in told["ranking"]
        ],
        "letters": [line["letter"] for line in told["ranking"]],
        "variations": [
            [name, [line["rank"].instrument in first for line in told["ranking"]]]
            for name, first in told["variations"]
        ],
    }  # fmt: skip


def _open(report: Report) -> str:
    told = shots.fill(report)
    count = len(told["shots"]) if told else 0
    if not count:
        return ""
    return f"Still open: {count} {'thing' if count == 1 else 'things'} to photograph or note."


def _instruments(report: Report, pictures: _Pictures) -> Iterator[Mapping[str, Any]]:
    for instrument in report.results.bench.instruments:
        strip = strip_of(report, instrument)
        yield {
            "note": instrument.note, "title": instrument.title,
            "letter": report.letter(instrument.id), "sentence": prose(strip.sentence),
            "shots": [[pictures.of_uri(s.picture), prose(s.caption)] for s in strip.shots],
            "claims": [
                [prose(one.claim), one.where, f"{SIGNS[one.word]} {one.word}", prose(one.found)]
                for one in strip.claims
            ],
            "settings": list(_settings(report, instrument.id)),
            "noted": [_noted(one) for one in instrument.observations],
        }  # fmt: skip


def _noted(one: Any) -> str:
    value = f": {one.value}" if one.value and one.value != one.what else ""
    return f"{one.what}{value}"


def _settings(report: Report, instrument_id: str) -> Iterator[list[Any]]:
    for one in report.results.settings_of(instrument_id):
        hidden = hidden_of(one)
        told = [
            [name, _said(value)]
            for key, name, value in shown_of_setting(one) if key not in hidden
        ]  # fmt: skip
        told += [[r.name, prose(say(r.value, "x"))] for r in without_repeats(one.readings)]
        yield [one.setting.title, told]


def _said(value: object) -> str:
    if not isinstance(value, Quantity):
        return prose(str(value))
    if value.unit == "um":
        return prose(say_length(value))
    return prose(say(value, "" if value.unit == "1" else f" {value.unit}")).replace("um/", "µm/")


def _lanes(report: Report) -> Mapping[str, Any] | None:
    told = magnification.fill(report)
    if told is None:
        return None
    return {
        "ticks": [[place, label, whole] for place, label, whole in told["ticks"]],
        "legend": [list(pair) for pair in told["legend"]],
        "lanes": [
            [f"{lane.letter} {lane.title}", [[m.shape, m.place] for m in lane.marks]]
            for lane in told["lanes"]
        ],
    }


def _drawings(report: Report, pictures: _Pictures) -> Iterator[list[str]]:
    """The evidence of each setting, one drawing a method, as the page draws it."""
    figures = report.figures or draw_captures(report.results)
    seen: set[tuple[str, str, str]] = set()
    count = 0
    for one in report.results.captures:
        method = next((part.method for part in one.parts if part.status == "measured"), "")
        place = (one.capture.instrument, one.capture.setting, method)
        if not method or place in seen or count >= MOST_DRAWINGS:
            continue
        found = _drawn(figures.get(one.capture.id, CaptureFigures()))
        if found:
            seen.add(place)
            count += 1
            yield [pictures.keep(found[0], ".svg"), _place_of(report, one), method]


def _found(report: Report) -> Iterator[list[Any]]:
    """Everything that was found in each capture, by each method."""
    settings = report.results.settings
    for one in report.results.captures:
        told = [
            [part.method, [_pair(each) for each in shown_of_capture(one, settings, part.findings)]]
            for part in one.parts if part.findings
        ]  # fmt: skip
        if told:
            yield [one.capture.id, _place_of(report, one), told]


def _pair(one: Shown) -> list[str]:
    return [one.name, _said(one.value)]


def _drawn(figures: CaptureFigures) -> Sequence[bytes]:
    return [
        piece.svg
        for figure in figures.figures for piece in pieces_of(figure.panels)
        if piece.kind in ("picture", "chart")
    ]  # fmt: skip


def _place_of(report: Report, one: CaptureResult) -> str:
    instrument = report.results.bench.instrument(one.capture.instrument)
    return f"{instrument.title}, {instrument.setting(one.capture.setting).title}"


def _methods(report: Report) -> Iterator[list[str]]:
    for account in (methods.fill(report) or {})["accounts"]:
        yield [account.title, account.text, "; ".join(account.sources)]


def _assumptions(report: Report) -> Iterator[str]:
    told = assumptions.fill(report) or {}
    yield from (sentence(one) for one in told["assumptions"])
    for thing, backing in told["objects"]:
        about = f"{thing.kind}, {backing}" if backing else thing.kind
        yield sentence(f"{thing.name or thing.id}: {about}")


def _opened(report: Report) -> Mapping[str, Any] | None:
    told = teardown.fill(report)
    if told is None:
        return None
    return {
        "cautions": list(told["cautions"]),
        "parts": [
            [one["title"], item["part"].part, item["part"].package, item["part"].marking,
             item["part"].note]
            for one in told["told"] for item in one["parts"]
        ],
    }  # fmt: skip


def _refused(report: Report) -> Iterator[str]:
    for one in report.results.captures:
        if one.status in ("refused", "unusable"):
            yield f"{one.capture.id}: {sentence(one.reason)}"


def _files(report: Report) -> Iterator[list[str]]:
    """Each file with the start of its SHA-256, and the methods that read it with their versions."""
    for one in report.results.captures:
        used = "; ".join(
            f"{part.method} {METHODS[part.method].version}"
            for part in one.parts if part.method in METHODS and part.status == "measured"
        )  # fmt: skip
        paths = report.results.bench.paths(one.capture)
        for name, path in zip(one.capture.files, paths, strict=True):
            yield [name, _hash(path), used]


def _hash(path: Path) -> str:
    try:
        return content_hash(path)[:HASH_LETTERS]
    except GlassayError:
        return "(cannot be read)"
