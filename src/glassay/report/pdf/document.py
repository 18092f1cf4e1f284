"""The printed report as one PDF, and its first page alone."""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Frame, PageBreak, PageTemplate, Paragraph

from glassay import __version__
from glassay.disk import write_atomically
from glassay.report.parts import Report
from glassay.report.pdf.appendix import appendix
from glassay.report.pdf.body import body
from glassay.report.pdf.style import HEADS, MARGIN, PAGE, SOFT, WIDTH, register_fonts
from glassay.report.pdf.summary import summary


def write_pdf(report: Report, path: Path) -> None:
    """Summary, all chapters, methods and data. Raises `Unusable` when it cannot be written."""
    register_fonts()
    story = [*summary(report), PageBreak(), *body(report), PageBreak(), *appendix(report)]
    write_atomically(path, _built(report, story))


def write_summary(report: Report, path: Path) -> None:
    """The one-page summary alone. Raises `Unusable` when it cannot be written."""
    register_fonts()
    write_atomically(path, _built(report, summary(report)))


class _Document(BaseDocTemplate):  # type: ignore[misc]
    """Pages with a footer, and headings in the outline."""

    def __init__(self, stream: io.BytesIO, report: Report) -> None:
        bench = report.results.bench
        super().__init__(
            stream, pagesize=PAGE, title=bench.title, creator=f"Glassay {__version__}",
            subject="comparison of microscopes",
            initialFontName="Text",  # or else every page starts in a face that is not embedded
 lang="en", invariant=1,
            leftMargin=MARGIN, rightMargin=MARGIN, topMargin=MARGIN, bottomMargin=MARGIN,
        )  # fmt: skip
        self.foot = f"{bench.title} · {report.written.isoformat()} · Glassay {__version__}"
        frame = Frame(MARGIN, MARGIN, WIDTH, PAGE[1] - 2 * MARGIN, 0, 0, 0, 0)
        self.addPageTemplates(PageTemplate("page", [frame], onPage=self._footer))
        self.count = 0
        self.depth = -1

    def _footer(self, canvas: Canvas, _: Any) -> None:
        canvas.saveState()
        canvas.setFont("Text", 7)
        canvas.setFillColor(SOFT)
        canvas.drawString(MARGIN, MARGIN * 0.55, self.foot[:110])
        canvas.drawRightString(PAGE[0] - MARGIN, MARGIN * 0.55, str(canvas.getPageNumber()))
        canvas.restoreState()

    def afterFlowable(self, flowable: Any) -> None:
        """Headings of the first two levels go into the outline."""
        for level in (1, 2):
            if isinstance(flowable, Paragraph) and flowable.style is HEADS[level]:
                self.count += 1
                self.depth = min(level - 1, self.depth + 1)
                name = f"h{self.count}"
                self.canv.bookmarkPage(name)
                self.canv.addOutlineEntry(
                    flowable.getPlainText(), name, self.depth, closed=level == 1
                )


def _built(report: Report, story: Iterable[Any]) -> bytes:
    stream = io.BytesIO()
    _Document(stream, report).build(list(story))
    return stream.getvalue()
