"""Typesetting the report. What stands on it is data and pictures in a folder of its own, laid out by
`report/templates/report.typ`; no words of a bench are ever read as markup, and nothing is fetched.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import matplotlib
import typst

from glassay.disk import write_atomically
from glassay.errors import Unusable
from glassay.report.parts import Report
from glassay.report.printed.content import content_of
from glassay.report.templating import source

LAYOUT = "report.typ"

Form = Literal["pdf", "svg", "png"]


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


def typeset(
    folder: Path, layout: str, content: Mapping[str, Any], form: Form,
    timestamp: datetime | None = None,
) -> bytes:  # fmt: skip
    """A layout of `report/templates/` filled with `content`; pictures are files in `folder`.

    `form` is "pdf", "png" or "svg" (of one page). The fonts are the compiler's own and those that
    the plotting library brings; none of the system's, so that every machine sets the same.
    """
    (folder / "content.json").write_text(json.dumps(content), encoding="utf-8")
    (folder / layout).write_text(str(source(layout)), encoding="utf-8")
    try:
        made = typst.compile(
            str(folder / layout), root=str(folder), format=form, timestamp=timestamp,
            font_paths=[str(Path(matplotlib.get_data_path()) / "fonts" / "ttf")],
            ignore_system_fonts=True, ppi=150.0,
        )  # fmt: skip
    except typst.TypstError as error:  # a fault of ours, or a picture it cannot read
        raise Unusable(f"the print could not be set: {error}") from error
    return bytes(made[0] if isinstance(made, list) else made)
