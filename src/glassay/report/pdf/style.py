"""Fonts, paragraph styles and tables of the printed report."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import matplotlib
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import LongTable, Paragraph

from glassay.report.numbers import prose

PAGE = A4
MARGIN = 18 * mm
WIDTH = PAGE[0] - 2 * MARGIN
INK, SOFT, HAIR, ACCENT = (HexColor(c) for c in ("#1b1f22", "#565d63", "#c3c8c8", "#0b4a56"))

FACES = {
    "Text": "DejaVuSans.ttf", "Text-Bold": "DejaVuSans-Bold.ttf",
    "Text-Italic": "DejaVuSans-Oblique.ttf", "Text-BoldItalic": "DejaVuSans-BoldOblique.ttf",
}  # fmt: skip
"""DejaVu, as the plotting library brings it: free to embed, with the signs of verdicts in it."""


@lru_cache(maxsize=1)
def register_fonts() -> None:
    """Make the faces known to the PDF library, which embeds the glyphs that are used."""
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in FACES.items():
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    pdfmetrics.registerFontFamily("Text", *FACES)


def _style(name: str, size: float, **changes: Any) -> ParagraphStyle:
    plain = {"fontName": "Text", "leading": size * 1.38, "textColor": INK, "spaceAfter": size * 0.4}
    return ParagraphStyle(name, fontSize=size, **(plain | changes))


BODY = _style("body", 9)
LARGE = _style("large", 11.5, spaceAfter=5)
SMALL = _style("small", 7.5, textColor=SOFT)
CELL = _style("cell", 7.5, spaceAfter=0)
CELL_BOLD = _style("cell bold", 7.5, spaceAfter=0, fontName="Text-Bold")
FINE = _style("fine", 6.5, spaceAfter=0)
FINE_BOLD = _style("fine bold", 6.5, spaceAfter=0, fontName="Text-Bold")
TITLE = _style("title", 20, fontName="Text-Bold", spaceAfter=4)
HEADS = {
    1: _style("head 1", 15, fontName="Text-Bold", spaceBefore=16, spaceAfter=6, keepWithNext=1),
    2: _style("head 2", 12, fontName="Text-Bold", spaceBefore=12, spaceAfter=4, keepWithNext=1),
    3: _style("head 3", 10, fontName="Text-Bold", textColor=ACCENT, spaceBefore=8, spaceAfter=3,
              keepWithNext=1),
}  # fmt: skip
CODE = _style("code", 6.5, textColor=SOFT, spaceAfter=1)


_MICRO = re.compile(r"\bum\b")


def clean(words: str) -> str:
    """Any text as the PDF library's markup: escaped, and as print writes it."""
    kept = "".join(c if c.isprintable() else " " for c in prose(words))
    return escape(kept)


def text(words: str, style: ParagraphStyle = BODY) -> Paragraph:
    """A paragraph of plain words."""
    return Paragraph(clean(words), style)


def heading(words: str, level: int) -> Paragraph:
    """A heading, from its capital on."""
    return text(words[:1].upper() + words[1:], HEADS[level])


def micro(unit: str) -> str:
    """A unit as readers know it: "µm/px"."""
    return _MICRO.sub("µm", unit)


def marked(markup: str, style: ParagraphStyle = BODY) -> Paragraph:
    """A paragraph of the library's markup, whose words were cleaned before."""
    return Paragraph(markup, style)


def table(
    rows: Sequence[Sequence[str | Paragraph]],
    widths: Sequence[float],
    *,
    head: bool = True,
    left: int = 0,
    tight: bool = False,
) -> LongTable:
    """A table with hairlines; the first row repeats on every page when it is a head.

    Texts are escaped. `left` is how many first columns are bold (row headings). A `tight` one is
    for data that is looked up, not read.
    """
    plain, bold = (FINE, FINE_BOLD) if tight else (CELL, CELL_BOLD)
    gap = 0.6 if tight else 2.5
    cells = [
        [
            cell if isinstance(cell, Paragraph)
            else text(cell, bold if (head and y == 0) or x < left else plain)
            for x, cell in enumerate(row)
        ]
        for y, row in enumerate(rows)
    ]  # fmt: skip
    made = LongTable(cells, colWidths=list(widths), repeatRows=1 if head else 0, hAlign="LEFT")
    lines: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("FONTNAME", (0, 0), (-1, -1), "Text"),
        ("LINEBELOW", (0, 0), (-1, -2), 0.4, HAIR),
        ("LEFTPADDING", (0, 0), (-1, -1), 3), ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("TOPPADDING", (0, 0), (-1, -1), gap), ("BOTTOMPADDING", (0, 0), (-1, -1), gap),
    ]  # fmt: skip
    if head:
        lines.append(("LINEBELOW", (0, 0), (-1, 0), 0.9, INK))
    made.setStyle(lines)
    return made
