"""Methods and data: everything that someone else needs to repeat every number."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from reportlab.platypus import Spacer

from glassay.bench.document.model import ReferenceObject
from glassay.bench.keeping.pack import versions
from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.results import BenchResults, CaptureResult
from glassay.bench.measuring.methods import METHODS
from glassay.bench.saying.finding_names import name_of
from glassay.disk import content_hash
from glassay.errors import GlassayError
from glassay.quantity import Quantity
from glassay.report.numbers import sentence
from glassay.report.parts import Report
from glassay.report.pdf.style import CODE, HEADS, SMALL, WIDTH, micro, table, text
from glassay.report.sections import assumptions
from glassay.report.sections.methods import ACCOUNTS


def appendix(report: Report) -> Iterator[Any]:
    """Methods with sources, assumptions, versions, and each capture with its data."""
    results = report.results
    yield text("Methods and data", HEADS[1])
    yield text(
        "Every number in this report follows from the captures listed below, by the methods and"
        " versions listed here. `glassay pack` puts all of it into one archive; `glassay check`"
        " verifies the archive and derives the numbers again."
    )
    yield text("Methods", HEADS[2])
    for account in ACCOUNTS:
        if account.used(results):
            yield text(account.title, HEADS[3])
            yield text(account.text, SMALL)
            yield text("Sources: " + "; ".join(account.sources), SMALL)
    yield text("Assumptions", HEADS[2])
    for words in results.assumptions or ("None beyond what the methods state.",):
        yield text(sentence(words), SMALL)
    yield from _objects(report)
    yield from _versions()
    yield text("Captures", HEADS[2])
    for one in results.captures:
        yield from _capture(results, one)


def _objects(report: Report) -> Iterator[Any]:
    filling = assumptions.fill(report)
    pairs: list[tuple[ReferenceObject, str]] = list(filling["objects"]) if filling else []
    if pairs:
        yield text("Reference objects", HEADS[2])
        rows = [["id", "kind", "backed by"]]
        rows += [[thing.id, thing.kind, backing] for thing, backing in pairs]
        yield table(rows, [WIDTH * 0.2, WIDTH * 0.2, WIDTH * 0.6])


def _versions() -> Iterator[Any]:
    yield text("Versions", HEADS[2])
    made = versions()
    rows = [["what", "version"]]
    rows += [[key, str(made[key])] for key in ("glassay", "python", "system")]
    rows += [[f"method: {name}", version] for name, version in made["methods"].items()]
    rows += [[name, version] for name, version in made["libraries"].items()]
    yield table(rows, [WIDTH * 0.45, WIDTH * 0.35], tight=True)


def _capture(results: BenchResults, one: CaptureResult) -> Iterator[Any]:
    capture = one.capture
    yield text(capture.id, HEADS[3])
    for name, path in zip(capture.files, results.bench.paths(capture), strict=True):
        yield text(f"{name}: SHA-256 {_hash(path)}", CODE)
    for part in one.parts:
        method = METHODS.get(part.method)
        if method is not None:
            settings = json.dumps(to_plain(method.settings(results.bench, capture)),
                                  ensure_ascii=False)  # fmt: skip
            yield text(f"method {part.method}, version {method.version()}; {settings}", CODE)
        if part.status != "measured":
            yield text(sentence(f"{part.status}: {part.reason}"), SMALL)
        if part.findings:
            rows = [["finding", "value", "u", "k", "unit"]]
            rows += [
                _finding(f"{name_of(key)} ({key})", finding.value)
                for key, finding in part.findings.items()
            ]
            yield table(
                rows, [WIDTH * share for share in (0.32, 0.26, 0.16, 0.1, 0.16)], tight=True
            )
            yield Spacer(0, 3)
        for note in part.notes:
            yield text(note, CODE)


def _hash(path: Any) -> str:
    try:
        return content_hash(path)
    except GlassayError:
        return "(cannot be read)"


def _finding(name: str, value: object) -> list[str]:
    if not isinstance(value, Quantity):
        return [name, str(value), "", "", ""]
    if not value.u:
        return [name, f"{value.value:.9g}", "0", "", micro(value.unit)]
    return [name, f"{value.value:.9g}", f"{value.u:.3g}", f"{value.k:.2f}", micro(value.unit)]
