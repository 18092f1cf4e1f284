"""The report as one page: sections in order, each from its own file and template.

A section is one file in `report/sections/` with a `SECTION`, registered in that package's list; a
chapter on each instrument is one file in `report/instrument/` with a `CHAPTER`, registered in the
same way; evidence over a photo is described in one file `report/evidence_*.py`, which the method's
record names.
"""

from __future__ import annotations

from collections.abc import Sequence

from glassay import __version__
from glassay.report.parts import Filled, Report, Section
from glassay.report.sections import SECTIONS
from glassay.report.templating import render, source


def render_page(report: Report, sections: Sequence[Section] | None = None) -> str:
    """The page as HTML that needs nothing else: no network, no other file, no script.

    `sections` are all registered ones unless others are given.
    """
    filled = []
    for section in SECTIONS if sections is None else sections:
        filling = section.fill(report)
        if filling is not None:
            html = render(section.template, filling)
            folded = section.folded and sections is None
            filled.append(Filled(section.id, section.title, html, folded))
    bench = report.results.bench
    return str(
        render("page.html", {
            "title": bench.title, "note": bench.note, "styles": source("page.css"),
            "sections": filled, "written": report.written, "version": __version__,
        })
    )  # fmt: skip
