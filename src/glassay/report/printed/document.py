"""Typesetting the report. What stands on it is data and pictures in a folder of its own, laid out by
`report/templates/report.typ`; no words of a bench are ever read as markup, and nothing is fetched.
"""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path

from glassay.disk import write_atomically
from glassay.report.parts import Report
from glassay.report.printed.content import content_of
from glassay.report.typeset import typeset

LAYOUT = "report.typ"


def write_pdf(report: Report, path: Path) -> None:
    """Write the whole report. Raises `Unusable` when the file cannot be written."""
    write_atomically(path, _set(report, whole=True))


def write_summary(report: Report, path: Path) -> None:
    """Write the first page alone. Raises `Unusable` when the file cannot be written."""
    write_atomically(path, _set(report, whole=False))


def _set(report: Report, *, whole: bool) -> bytes:
    with tempfile.TemporaryDirectory(prefix="glassay-") as name:
        folder = Path(name)
        content = content_of(report, folder, whole=whole)
        day = datetime(*report.written.timetuple()[:3], tzinfo=UTC)
        return typeset(folder, LAYOUT, content, "pdf", timestamp=day)
