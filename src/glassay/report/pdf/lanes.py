"""Magnification of all instruments on one axis, drawn as vectors."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reportlab.platypus import Flowable

from glassay.report.pdf.style import ACCENT, HAIR, INK, SOFT, WIDTH
from glassay.report.sections.magnification import Lane

LANE, NAME, FOOT = 20.0, 130.0, 16.0
LONGEST_NAME = 28
LABEL_ROOM = 26.0
"""Least distance of labels along the axis: "1000x" is 22 wide."""


class Lanes(Flowable):  # type: ignore[misc]
    """One row for each instrument; `ticks` are place (%), label, and whether a whole decade."""

    def __init__(self, lanes: Sequence[Lane], ticks: Sequence[tuple[float, str, bool]]) -> None:
        super().__init__()
        self.lanes, self.ticks = lanes, ticks
        self.width, self.height = WIDTH, LANE * len(lanes) + FOOT

    def wrap(self, *_: float) -> tuple[float, float]:
        """Size on paper."""
        return self.width, self.height

    def _at(self, place: float) -> float:
        return float(NAME + place / 100 * (WIDTH - NAME - 20))

    def _labels(self) -> list[tuple[float, str]]:
        """Places and labels along the axis: whole decades, and what else has room beside them."""
        taken: list[tuple[float, str]] = []
        for place, label, _ in sorted(self.ticks, key=lambda tick: not tick[2]):
            at = self._at(place)
            if all(abs(at - other) >= LABEL_ROOM for other, _ in taken):
                taken.append((at, label))
        return taken

    def draw(self) -> None:
        """Axis lines first, marks over them."""
        canvas = self.canv
        canvas.setLineWidth(0.5)
        for place, _, whole in self.ticks:
            canvas.setStrokeColor(SOFT if whole else HAIR)
            canvas.line(self._at(place), FOOT - 2, self._at(place), self.height)
        for place, label in self._labels():
            _words(canvas, place, 3, label, 7, centred=True)
        for number, lane in enumerate(self.lanes):
            y = self.height - LANE * (number + 0.5)
            _words(canvas, 0, y - 3, f"{lane.letter} {lane.title}"[:LONGEST_NAME], 8)
            first, last = lane.span
            canvas.setStrokeColor(INK)
            canvas.setLineWidth(0.5)
            canvas.line(self._at(first), y, self._at(last), y)
            for mark in lane.marks:
                draw_mark(canvas, mark.shape, self._at(mark.place), y)


class Legend(Flowable):  # type: ignore[misc]
    """What each mark stands for."""

    STEP = 12.0

    def __init__(self, legend: Sequence[tuple[str, str]]) -> None:
        super().__init__()
        self.legend = legend
        self.width, self.height = WIDTH, self.STEP * len(legend) + 4

    def wrap(self, *_: float) -> tuple[float, float]:
        """Size on paper."""
        return self.width, self.height

    def draw(self) -> None:
        """One line for each mark."""
        for number, (shape, words) in enumerate(self.legend):
            y = self.STEP * (len(self.legend) - number) - 5
            draw_mark(self.canv, shape, 6, y)
            _words(self.canv, 16, y - 3, words, 7.5)


def _words(
    canvas: Any, x: float, y: float, words: str, size: float, *, centred: bool = False
) -> None:
    canvas.setFont("Text", size)
    canvas.setFillColor(SOFT if centred else INK)
    (canvas.drawCentredString if centred else canvas.drawString)(x, y, words)


def draw_mark(canvas: Any, shape: str, x: float, y: float) -> None:
    """A disc, square, frame, triangle or (for a claim) hollow diamond."""
    canvas.setFillColor(ACCENT)
    canvas.setStrokeColor(INK)
    canvas.setLineWidth(1.0)
    if shape == "disc":
        canvas.circle(x, y, 3.4, stroke=0, fill=1)
    elif shape == "square":
        canvas.rect(x - 3, y - 3, 6, 6, stroke=0, fill=1)
    elif shape == "frame":
        canvas.rect(x - 3, y - 3, 6, 6, stroke=1, fill=0)
    else:
        up = shape == "triangle"
        corners = [(0, 4), (-4, -3), (4, -3)] if up else [(0, 5), (4, 0), (0, -5), (-4, 0)]
        path = canvas.beginPath()
        path.moveTo(x + corners[0][0], y + corners[0][1])
        for dx, dy in corners[1:]:
            path.lineTo(x + dx, y + dy)
        path.close()
        canvas.drawPath(path, stroke=0 if up else 1, fill=1 if up else 0)
