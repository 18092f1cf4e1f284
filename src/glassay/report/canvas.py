"""Figures drawn by matplotlib, put on the page as pictures."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

from glassay.report.evidence import Case, Figure
from glassay.report.templating import render

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas

PAGE_DPI = 110
"""Dots per inch of a figure on the page: 10 inches make the 1100 px of photos there."""


def on_page(case: Case, canvas: Canvas, words: str) -> Figure:
    """A drawn canvas as a figure of the page; `words` say what there is to see."""
    file = io.BytesIO()
    canvas.savefig(file, format="png", dpi=PAGE_DPI)
    pixels = np.asarray(Image.open(file).convert("RGB"))
    source = case.embed(np.ascontiguousarray(pixels))
    return Figure(render("photo.html", {"source": source, "alt": words}), words)
