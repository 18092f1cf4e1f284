"""A capture of which nothing is drawn: the photo as it is."""

from __future__ import annotations

from glassay.report.drawing import Figure, Still
from glassay.report.evidence import Case
from glassay.report.pictures import for_screen


def figures(case: Case) -> tuple[Figure, ...]:
    """The photo, smaller than those with evidence."""
    source = case.embed(for_screen(case.photo(), 640), 0.5)
    return (Figure((Still(source, f"The photo {case.files[0]}"),), ""),)
