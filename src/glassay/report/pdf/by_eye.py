"""Whose view equals which: fields at one scale, drawn as vectors, and the numbers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer

from glassay.bench.saying.words import say, say_length, say_times
from glassay.report.parts import Report
from glassay.report.pdf.style import ACCENT, INK, SMALL, WIDTH, heading, table, text
from glassay.report.sections import by_eye
from glassay.report.sections.by_eye import SECTION, Field

WIDEST, HIGHEST, FOOT = 100 * mm, 70 * mm, 14.0
TAKEN_AS_EXACT = (
    "Put side by side, two pictures show the same field when their widths agree. Errors that both"
    " share, such as that of one slide, cancel here. The stated magnification of the view that"
    " judges is taken as exact: a number below is off by as much as that one is."
)


class Nested(Flowable):  # type: ignore[misc]
    """Fields around one centre, at one scale; `bar` is a length in um and its words."""

    def __init__(self, fields: Sequence[Field], bar: tuple[float, str]) -> None:
        super().__init__()
        self.fields, self.bar = fields, bar
        across = max(one.width.value for one in fields)
        down = max(one.height for one in fields)
        self.scale = min(WIDEST / across, HIGHEST / down)
        self.width, self.height = across * self.scale, down * self.scale + FOOT

    def wrap(self, *_: float) -> tuple[float, float]:
        """Size on paper."""
        return self.width, self.height

    def draw(self) -> None:
        """Outlines with their letters, the scale bar below."""
        canvas = self.canv
        canvas.setLineWidth(0.8)
        canvas.setStrokeColor(ACCENT)
        x0, y0 = self.width / 2, FOOT + (self.height - FOOT) / 2
        for one in self.fields:
            across, down = one.width.value * self.scale, one.height * self.scale
            if one.round:
                canvas.circle(x0, y0, across / 2, stroke=1, fill=0)
            else:
                canvas.rect(x0 - across / 2, y0 - down / 2, across, down, stroke=1, fill=0)
        canvas.setFillColor(INK)
        canvas.setFont("Text-Bold", 7)
        for one in self.fields:
            x, y = (place * self.scale for place in one.label_at)
            canvas.drawString(x0 + x + 2, y0 - y - 8, one.letter)
        length_um, words = self.bar
        canvas.rect(0, 2, length_um * self.scale, 1.6, stroke=0, fill=1)
        canvas.setFont("Text", 7)
        canvas.drawString(length_um * self.scale + 4, 0.5, words)


def whose_view(report: Report) -> Iterator[Any]:
    """The drawing and both tables; nothing where there is nothing to compare."""
    filling = by_eye.fill(report)
    if filling is None:
        return
    start: list[Any] = [heading(SECTION.title, 1)]
    if len(filling["fields"]) > 1:
        said = "What each instrument shows in its closest setting, all at one scale."
        if len(filling["shown"]) < len(filling["fields"]):
            said += " Fields narrower than a fiftieth of the widest are left to the table."
        start += [text(said), Nested(filling["shown"], (filling["bar_um"], filling["bar_text"]))]
    yield KeepTogether(start)
    yield Spacer(0, 6)
    if len(filling["fields"]) > 1:
        rows = [["instrument", "closest setting", "field"]]
        rows += [[f"{one.letter} {one.title}", one.setting,
                  f"{say_length(one.width)} {'across' if one.round else 'wide'}"]
                 for one in filling["fields"]]  # fmt: skip
        yield table(rows, [WIDTH * share for share in (0.36, 0.34, 0.3)], left=1)
        yield Spacer(0, 8)
    if filling["pairs"]:
        yield text(TAKEN_AS_EXACT, SMALL)
        rows = [["the field of", "is that of a view of", "judged by", "reference field / this"]]
        rows += [_pair(pair) for pair in filling["pairs"]]
        yield table(rows, [WIDTH * share for share in (0.32, 0.18, 0.32, 0.18)])


def _pair(pair: Any) -> list[str]:
    power = f"the {pair['power']:g}x view of " if pair["power"] else ""
    by_field = pair.get("seen")
    seen = f"; by the field seen {say_times(by_field)}" if by_field else ""
    return [
        f"{pair['here']}, {pair['here_setting']}",
        say_times(pair["equivalent"]) if pair["equivalent"] else "–",
        f"{power}{pair['there']}, {pair['there_setting']}{seen}",
        say(pair["ratio"]) + "x",
    ]
