"""The words on a plate: headings, captions and what stands at its foot, in lines that fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from glassay.bench.chip.panel import Caption
from glassay.bench.chip.plate import Plate
from glassay.bench.saying.words import say, say_length
from glassay.quantity import Quantity
from glassay.report.numbers import prose


@dataclass(frozen=True)
class Size:
    """A sheet: px wide, px high (None: as high as it takes), px an inch, and the size of its small
    text in px."""

    width: int
    height: int | None
    dpi: float
    text: float

    @property
    def margin(self) -> int:
        """Free space around and between."""
        return round(1.1 * self.text)


LINE = 1.36
"""Height of a line of text over its size."""


@dataclass(frozen=True)
class Words:
    """A line of text: what, how large (px), bold or not, soft or full ink."""

    text: str
    size: float
    bold: bool = False
    soft: bool = False


def heading(plate: Plate, size: Size) -> list[Words]:
    wide = size.width - 2 * size.margin
    return [
        *_folded(Words(plate.title, 1.5 * size.text, bold=True), wide),
        *_folded(Words(plate.chip, 1.1 * size.text, soft=True), wide),
    ]


def captions_of(
    plate: Plate, size: Size, names: Sequence[str] | None, width: float, numbered: bool = False
) -> list[list[Words]]:
    """What is said of each panel, in lines that fit the width."""
    found = []
    for number, panel in enumerate(plate.panels):
        told = panel.caption
        front = f"{number + 1}  " if numbered else ""
        if names is not None:
            lines = [Words(names[number], 1.15 * size.text, bold=True)]
        else:
            lines = [Words(front + told.instrument, 1.15 * size.text, bold=True)]
            if told.setting:
                lines.append(Words(told.setting, size.text))
            lines += [Words(text, size.text, soft=True) for text in numbers_below(told)]
        found.append([part for line in lines for part in _folded(line, width)])
    return found


def numbers_below(told: Caption) -> list[str]:
    """The numbers below a panel: magnification, pixel size, what it tells apart."""
    lines = []
    if told.reading is not None:
        lines.append(f"{told.reading.name} {say(told.reading.value)}×")
    size = told.native or told.pixel_size
    native = " (native)" if told.native is not None else ""
    lines.append("pixel size not measured" if size is None else f"{say(size)} µm/px{native}")
    if told.resolved is None:
        lines.append("resolved detail not measured")
    else:
        finer = "shows no line finer than" if told.resolved.is_bound else "shows lines of"
        by = {
            "bars": ", by bars",
            "edge": ", by edges",
            "lines": ", by its slide",
            "chip": ", by a chip",
        }.get(told.resolved.kind, "")
        lines.append(f"{finer} {prose(say_length(told.resolved.line))}{by}")
    return lines


def footing(plate: Plate, size: Size, names: Sequence[str] | None) -> list[Words]:
    text = " ".join(foot_of(plate, blind=names is not None))
    return _folded(Words(text, 0.9 * size.text, soft=True), size.width - 2 * size.margin)


def foot_of(plate: Plate, *, blind: bool = False) -> list[str]:
    """Scale, kernel and what is missing, in sentences; blind, without what names an instrument."""
    wide = say_length(Quantity(plate.width_um.value, "um"))
    high = say_length(Quantity(plate.height_um, "um"))
    relative = plate.width_um.expanded / plate.width_um.value
    by = "" if blind else f" by the calibration of {plate.scale_by}"
    sentences = [
        f"The piece is {wide} wide and {high} high, good to {100 * relative:.2g} %{by}.",
        f"Resampled in linear light: {plate.kernel_words}; nothing is sharpened.",
    ]
    if not blind:
        sentences.append("Lines are those resolved at 10 % modulation, by what stands beside each.")
        if plate.left_out:
            told = "; ".join(f"{who}: {why}" for who, why in plate.left_out.items())
            sentences.append(f"Not shown: {told}.")
    return [prose(sentence) for sentence in sentences]


def _folded(line: Words, width: float) -> list[Words]:
    """The line in as many as fit the width."""
    found: list[str] = []
    for word in line.text.split(" "):
        if found and text_width(f"{found[-1]} {word}", line.size, line.bold) <= width:
            found[-1] += " " + word
        else:
            found.append(word)
    return [replace(line, text=text) for text in found if text.strip()]


def text_width(text: str, size: float, bold: bool) -> float:
    """Px that a line of text of this size takes."""
    return sum(_advance(letter, bold) for letter in text) * size / 100


@lru_cache(maxsize=2000)
def _advance(letter: str, bold: bool) -> float:
    """Width of a letter in hundredths of the font's size."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    font = FontProperties(weight="bold" if bold else "normal")
    pair = TextPath((0, 0), f"|{letter}|", size=100, prop=font).get_extents().x1
    bare = TextPath((0, 0), "||", size=100, prop=font).get_extents().x1
    return float(pair - bare)


def block_height(lines: Sequence[Words]) -> float:
    return sum(LINE * line.size for line in lines)
