"""A capture of which nothing is drawn: the photo as it is."""

from __future__ import annotations

from glassay.report.evidence import Case, Figure
from glassay.report.pictures import for_screen
from glassay.report.templating import render


def figures(case: Case) -> tuple[Figure, ...]:
    """The photo, smaller than those with evidence."""
    photo = case.photo
    html = render("photo.html", {
        "source": case.embed(for_screen(photo, 640), 0.5),
        "alt": f"The photo {case.capture.files[0]}",
    })  # fmt: skip
    return (Figure(html, ""),)
