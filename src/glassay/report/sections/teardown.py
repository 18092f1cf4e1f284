"""The teardown log: cautions first, then the parts seen in each instrument."""

from __future__ import annotations

from glassay.bench.document.model import TeardownPart
from glassay.bench.document.teardown import CAUTIONS
from glassay.bench.keeping.results import CaptureResult
from glassay.bench.saying.finding_names import Shown, shown
from glassay.errors import GlassayError
from glassay.imaging import read_photo
from glassay.quantity import Quantity
from glassay.report.evidence import kept_drawings
from glassay.report.parts import Report, Section
from glassay.report.pictures import for_screen, jpeg_uri
from glassay.report.templating import Filling

PHOTO_PX, PHOTO_BYTES = 640, 60_000
"""Size of a teardown photo on the page: a marking can be read, and thirty of them fit."""
MOST_PHOTOS = 60
"""Photos on one page; the others are named."""


def fill(report: Report) -> Filling | None:
    """Instruments that were opened; None when none was."""
    opened = [one for one in report.results.bench.instruments if one.teardown]
    if not opened:
        return None
    room = MOST_PHOTOS
    told = []
    for instrument in opened:
        parts = []
        for part in instrument.teardown:
            photos = [_photo(report, name, room - n > 0) for n, name in enumerate(part.photos)]
            room -= len(photos)
            parts.append({"part": part, "photos": photos, "measured": measured(report, part)})
        told.append({"title": instrument.title, "letter": report.letter(instrument.id),
                     "parts": parts})  # fmt: skip
    return {"cautions": CAUTIONS, "told": told}


def _photo(report: Report, name: str, has_room: bool) -> tuple[str, str, str]:
    """File, data URI, and what is wrong with it."""
    if not has_room:
        return name, "", "left out to keep this page small"
    results = report.results
    try:
        path = results.bench.shown_path(name)
        kept = kept_drawings(results)
        picture = kept.once(
            ["part", kept.contents([path]), PHOTO_PX, PHOTO_BYTES],
            lambda: jpeg_uri(for_screen(read_photo(path), PHOTO_PX), PHOTO_BYTES),
        )
        return name, picture, ""
    except GlassayError as error:
        return name, "", str(error)


def measured(report: Report, part: TeardownPart) -> list[tuple[CaptureResult, str, list[Shown]]]:
    """The captures that belong to a part, where they stand on the page, and their findings."""
    found = []
    for capture in part.captures:
        result = report.results.capture(capture)
        numbers = [
            shown(key, finding)
            for key, finding in result.findings.items()
            if isinstance(finding.value, Quantity | str)
        ]
        found.append((result, report.anchor(capture), numbers))
    return found


SECTION = Section("teardown", "Opened", "teardown.html", fill, folded=True)
