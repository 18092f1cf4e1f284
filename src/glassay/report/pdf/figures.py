"""Photos with evidence drawn over them, as vectors on a printable picture."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from PIL import Image
from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.platypus import Flowable

from glassay.bench.keeping.results import BenchResults, CaptureResult
from glassay.bench.saying.words import say_length
from glassay.errors import GlassayError
from glassay.imaging import Photo
from glassay.quantity import Quantity
from glassay.report.evidence_clip import rhythm_in_words
from glassay.report.evidence_scale import ScaleDrawing
from glassay.report.numbers import counted
from glassay.report.pdf.style import INK
from glassay.report.pictures import for_screen, picture_of

PRINT_PX = 1000
"""Longer side of a photo: 300 dpi at 84 mm, so that two stand beside each other."""
QUALITY = 88
WIDEST, HIGHEST = 84 * mm, 66 * mm
LINE, CASING = HexColor("#35e4ff"), HexColor("#00222b")

Segment = tuple[float, float, float, float]


@dataclass
class Overlay:
    """What is drawn over a photo, in px of the upright photo (pixel centres at whole numbers)."""

    segments: Sequence[Segment] = ()
    circle: tuple[float, float, float] | None = None
    bar: tuple[float, str] | None = None
    """Length of the scale bar in px, and its words."""
    caption: str = ""


class Picture(Flowable):  # type: ignore[misc]
    """A photo with its overlay; keeps its shape, never larger than the page allows."""

    def __init__(self, photo: Photo, overlay: Overlay) -> None:
        super().__init__()
        self.overlay = overlay
        self.size_px = (photo.width, photo.height)
        factor = min(WIDEST / photo.width, HIGHEST / photo.height)
        self.width, self.height = photo.width * factor, photo.height * factor
        stream = io.BytesIO()
        Image.fromarray(for_screen(photo, PRINT_PX)).save(stream, "JPEG", quality=QUALITY)
        self.image = ImageReader(stream)

    def wrap(self, *_: float) -> tuple[float, float]:
        """Size on paper."""
        return self.width, self.height

    def draw(self) -> None:
        """The photo, then casings, then lines."""
        canvas = self.canv
        canvas.drawImage(self.image, 0, 0, self.width, self.height)
        clip = canvas.beginPath()
        clip.rect(0, 0, self.width, self.height)
        canvas.saveState()
        canvas.clipPath(clip, stroke=0, fill=0)
        for colour, width in ((CASING, 1.3), (LINE, 0.5)):
            canvas.setStrokeColor(colour)
            canvas.setLineWidth(width)
            for x0, y0, x1, y1 in self.overlay.segments:
                canvas.line(*self._place(x0, y0), *self._place(x1, y1))
            if self.overlay.circle is not None:
                x, y, diameter = self.overlay.circle
                radius = diameter / 2 * self.width / self.size_px[0]
                canvas.circle(*self._place(x, y), radius, stroke=1, fill=0)
        canvas.restoreState()
        if self.overlay.bar is not None:
            self._draw_bar(*self.overlay.bar)

    def _place(self, x: float, y: float) -> tuple[float, float]:
        across, down = self.size_px
        return (x + 0.5) / across * self.width, (1 - (y + 0.5) / down) * self.height

    def _draw_bar(self, length_px: float, words: str) -> None:
        canvas = self.canv
        length = length_px / self.size_px[0] * self.width
        left, low = 0.04 * self.width, 0.06 * self.height
        canvas.setFont("Text-Bold", 7)
        wide = max(length, canvas.stringWidth(words, "Text-Bold", 7)) + 6
        canvas.setFillColorRGB(1, 1, 1, alpha=0.85)
        canvas.rect(left - 3, low - 4, wide, 16, stroke=0, fill=1)
        canvas.setFillColor(INK)
        canvas.rect(left, low - 1, length, 2, stroke=0, fill=1)
        canvas.drawString(left, low + 4, words)


@dataclass
class Drawn:
    """The picture of a capture, or why there is none."""

    picture: Picture | None = None
    captions: list[str] = field(default_factory=list)
    missing: str = ""


def draw(results: BenchResults, one: CaptureResult) -> Drawn:
    """A capture with everything that its methods left to draw."""
    try:
        photo = picture_of(results.bench.paths(one.capture)[0])
        overlay = Overlay()
        captions = []
        for part in one.parts:
            if part.status == "measured":
                for found in _overlays(part.method, part.evidence, part.findings):
                    overlay = found
                    captions.append(found.caption)
        return Drawn(Picture(photo, overlay), captions)
    except GlassayError as error:
        return Drawn(missing=f"It cannot be shown: {error}")


def _overlays(method: str, evidence: Any, findings: Any) -> Iterator[Overlay]:
    if method == "ruled scale":
        quantities = {
            key: finding.value
            for key, finding in findings.items()
            if isinstance(finding.value, Quantity)
        }
        drawing = ScaleDrawing.of_stored(evidence, quantities)
        length_um, length_px = drawing.bar
        words = say_length(Quantity(length_um, "um")).replace("um", "µm")
        yield Overlay(
            [tuple(map(float, segment)) for segment in drawing.segments],  # type: ignore[misc]
            drawing.circle, (length_px, words),
            f"{len(drawing.segments)} lines found, on an even ruling within"
            f" {drawing.residual_words()}; {drawing.field}",
        )  # fmt: skip
    elif method == "clip":
        said = rhythm_in_words(findings, bool(evidence["truncated"]))
        yield Overlay(caption=f"First frame of a clip: {said.rstrip('.')}")
    elif "edges" in evidence:
        segments = [_flat(edge["ends"]) for edge in evidence["edges"]]
        yield Overlay(segments, caption=f"{counted(len(segments), 'edge')} used")


def _flat(ends: Any) -> Segment:
    numbers = [
        float(v) for pair in ends for v in (pair if isinstance(pair, list | tuple) else [pair])
    ]
    return numbers[0], numbers[1], numbers[2], numbers[3]
