"""A plate drawn: as a sheet for print, as a still for a video, or as a series of stills.

Everything is placed in whole px of the sheet, so that a panel's px are drawn one to one and nothing
resamples them a second time.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from glassay.bench.chip.plate import Caption, Panel, Plate
from glassay.bench.saying.words import say, say_length
from glassay.errors import Unusable
from glassay.quantity import Quantity
from glassay.report.numbers import prose

Pixels = npt.NDArray[np.uint8]
Layout = Literal["grid", "wipe", "alternate"]
LAYOUTS: tuple[Layout, ...] = ("grid", "wipe", "alternate")
Look = Literal["light", "dark"]
LOOKS: tuple[Look, ...] = ("light", "dark")


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


PRINT = Size(2126, None, 300, 7.5 / 72 * 300)
"""180 mm wide at 300 px an inch, small text of 7.5 points: the text width of a page of A4."""

SIZES: dict[str, Size] = {
    "print": PRINT,
    "1920x1080": Size(1920, 1080, 96, 21),
    "3840x2160": Size(3840, 2160, 192, 42),
}
"""Stills have text of 2 % of their height, which is legible on a phone."""

COLOURS: dict[Look, tuple[str, str, str]] = {
    "light": ("#fdfdfb", "#1b1f22", "#565d63"),
    "dark": ("#14181a", "#e6e8e6", "#a3abaf"),
}
"""Paper, ink and soft ink."""

LINE = 1.36
"""Height of a line of text over its size."""

BAR_SHARE = 0.34
"""The scale bar takes at most this share of a panel's width."""


@dataclass(frozen=True)
class Words:
    """A line of text: what, how large (px), bold or not, soft or full ink."""

    text: str
    size: float
    bold: bool = False
    soft: bool = False


def draw_sheet(plate: Plate, size: Size, look: Look, layout: Layout, suffix: str,
               names: Sequence[str] | None = None) -> bytes:  # fmt: skip
    """One sheet as PNG, SVG or PDF by `suffix` (".png", ".svg", ".pdf").

    `names` stand for the instruments on a blind plate, and nothing else is said of them. Layout
    "alternate" has no sheet of its own; see `draw_series`.
    """
    return _rendered(lay_out(plate, size, layout, names), size, look, suffix)


def lay_out(plate: Plate, size: Size, layout: Layout, names: Sequence[str] | None = None) -> Sheet:
    """Where everything stands on a sheet."""
    if layout == "grid":
        return _grid(plate, size, names)
    return _with_list(plate, size, names, range(len(plate.panels)))


def draw_series(
    plate: Plate, size: Size, look: Look, names: Sequence[str] | None = None
) -> list[bytes]:
    """One PNG for each panel, all of one geometry, so that they can be shown in turn."""
    return [
        _rendered(_with_list(plate, size, names, [number]), size, look, ".png")
        for number in range(len(plate.panels))
    ]


FRAME_MS = 1200
"""Each picture of the alternating series stands so long: time to look, short enough to compare."""


def animated(stills: Sequence[bytes]) -> bytes:
    """The series as one animated PNG that repeats: lossless, and shown by every browser."""
    from PIL import Image

    frames = [Image.open(io.BytesIO(still)).convert("RGB") for still in stills]
    stream = io.BytesIO()
    frames[0].save(
        stream, "PNG", save_all=True, append_images=frames[1:], duration=FRAME_MS, loop=0
    )
    return stream.getvalue()


# ---- layouts -------------------------------------------------------------------------------------


@dataclass
class Sheet:
    """A sheet of `height` px: pictures and lines of text with the px of their top left corners.

    `bars` are scale bars as (left, bottom, length, size of text, words), `tags` numbers on pictures.
    """

    height: int
    pictures: list[tuple[Pixels, int, int]]
    texts: list[tuple[Words, float, float]]
    bars: list[tuple[float, float, float, float, str]]
    tags: list[tuple[str, float, float]]


def _grid(plate: Plate, size: Size, names: Sequence[str] | None) -> Sheet:
    """As many columns, and in stills the place of the captions, as make the panels largest."""
    count = len(plate.panels)
    if size.height is None:
        widths = {n: _panel_width(plate, size, names, n) for n in range(1, count + 1)}
        across = max(widths, key=lambda n: widths[n])
        return _grid_of(plate, size, names, across, widths[across])
    still = size.height
    cells = [
        _cell(plate, size, still, names, across, beside)
        for across in range(1, count + 1) for beside in (True, False)
    ]  # fmt: skip
    best = max(cells, key=lambda cell: cell.width)
    if best.width == 0:
        raise Unusable("so many pictures do not fit on one sheet; name fewer with --captures")
    return _still_of(plate, size, still, names, best)


NARROWEST_CAPTION = 10.5
"""Least width of captions beside panels, in sizes of their text."""


@dataclass(frozen=True)
class _Cell:
    """How the panels of a still stand: columns, captions beside or below, px of a panel, of the
    room for its caption, and of the whole cell's width and height."""

    across: int
    beside: bool
    width: int
    caption: float
    cell_width: int
    cell_height: int


def _cell(
    plate: Plate, size: Size, still: int, names: Sequence[str] | None, across: int, beside: bool
) -> _Cell:
    """The largest panels in so many columns of a still; of width 0 where nothing fits."""
    down = math.ceil(len(plate.panels) / across)
    rest = _block_height(_heading(plate, size)) + _block_height(_footing(plate, size, names))
    high = (still - rest - (3 + down) * size.margin) / down
    wide = (size.width - size.margin) // across - size.margin
    gap = 0.6 * size.margin
    if beside:
        width = int(min(high * plate.aspect, wide - NARROWEST_CAPTION * size.text - gap))
        caption = wide - width - gap
        fits = _tallest(plate, size, names, caption) <= high
    else:
        caption = float(wide)
        width = int(min(wide, (high - _tallest(plate, size, names, caption) - gap) * plate.aspect))
        fits = True
    if not fits or width < 6 * size.text:
        width = 0
    return _Cell(across, beside, width, caption, wide, int(high))


def _tallest(plate: Plate, size: Size, names: Sequence[str] | None, width: float) -> float:
    return max(_block_height(lines) for lines in _captions(plate, size, names, width))


def _still_of(
    plate: Plate, size: Size, still: int, names: Sequence[str] | None, cell: _Cell
) -> Sheet:
    height, gap = round(cell.width / plate.aspect), 0.6 * size.margin
    sheet = Sheet(still, [], [], [], [])
    top = _write(sheet, _heading(plate, size), size.margin, size.margin) + size.margin
    captions = _captions(plate, size, names, cell.caption)
    used = height if cell.beside else height + gap + max(_block_height(c) for c in captions)
    foot = _footing(plate, size, names)
    end = still - size.margin - _block_height(foot)
    down = math.ceil(len(plate.panels) / cell.across)
    top += max(0.0, end - top - down * (used + size.margin)) / 2
    for number, panel in enumerate(plate.panels):
        row, column = divmod(number, cell.across)
        x = size.margin + column * (cell.cell_width + size.margin)
        y = round(top + row * (used + size.margin))
        _add_picture(sheet, plate, size, panel, x, y, (height, cell.width))
        place = (x + cell.width + gap, y) if cell.beside else (x, y + height + gap)
        _write(sheet, captions[number], *place)
    _write(sheet, foot, size.margin, end)
    return sheet


MOST_PRINT_HEIGHT = 1.38
"""Height of a printed plate over its width: 248 mm, what a page of A4 has within its margins."""


def _panel_width(plate: Plate, size: Size, names: Sequence[str] | None, across: int) -> int:
    """Width of the panels of a printed plate in so many columns; 0 where it gets too high."""
    width = (size.width - (across + 1) * size.margin) // across
    down = math.ceil(len(plate.panels) / across)
    high = _heights(plate, size, names, across, width) + down * width / plate.aspect
    fits = high <= MOST_PRINT_HEIGHT * size.width
    return width if fits or across == len(plate.panels) else 0


def _heights(
    plate: Plate, size: Size, names: Sequence[str] | None, across: int, width: int
) -> float:
    """Height of everything that is no panel."""
    head = _block_height(_heading(plate, size))
    foot = _block_height(_footing(plate, size, names))
    rows = [
        max(_block_height(c) for c in _captions(plate, size, names, width)[at : at + across])
        for at in range(0, len(plate.panels), across)
    ]
    return head + foot + sum(rows) + (3 + 1.4 * len(rows)) * size.margin


def _grid_of(
    plate: Plate, size: Size, names: Sequence[str] | None, across: int, width: int
) -> Sheet:
    height = round(width / plate.aspect)
    sheet = Sheet(0, [], [], [], [])
    y = _write(sheet, _heading(plate, size), size.margin, size.margin) + size.margin
    captions = _captions(plate, size, names, width)
    for at in range(0, len(plate.panels), across):
        bottom = top = round(y)
        for place, number in enumerate(range(at, min(at + across, len(plate.panels)))):
            x = size.margin + place * (width + size.margin)
            _add_picture(sheet, plate, size, plate.panels[number], x, top, (height, width))
            below = _write(sheet, captions[number], x, top + height + 0.4 * size.margin)
            bottom = max(bottom, math.ceil(below))
        y = bottom + size.margin
    y = _write(sheet, _footing(plate, size, names), size.margin, y)
    sheet.height = math.ceil(y + size.margin)
    return sheet


def _with_list(
    plate: Plate, size: Size, names: Sequence[str] | None, shown: Sequence[int]
) -> Sheet:
    """A large picture with the list of instruments beside it (stills) or below it (print)."""
    sheet = Sheet(0, [], [], [], [])
    top = round(_write(sheet, _heading(plate, size), size.margin, size.margin) + size.margin)
    foot = _footing(plate, size, names)
    width = size.width - 2 * size.margin
    if size.height is not None:
        free = size.height - top - _block_height(foot) - 2 * size.margin
        width = min(round(0.66 * width), int(free * plate.aspect))
    height = round(width / plate.aspect)
    _add_picture(sheet, plate, size, None, size.margin, top, (height, width), shown)
    if size.height is None:
        below = top + height + 0.8 * size.margin
        y = _list(sheet, plate, size, names, shown, (size.margin, below), width, 2)
        y = _write(sheet, foot, size.margin, y)
        sheet.height = math.ceil(y + size.margin)
        return sheet
    corner = (2 * size.margin + width, float(top))
    room = size.width - corner[0] - size.margin
    captions = _captions(plate, size, names, room, numbered=True)
    tall = sum(_block_height(captions[n]) + 0.6 * size.margin for n in shown)
    _list(sheet, plate, size, names, shown, corner, room, 1 if tall <= height else 2)
    _write(sheet, foot, size.margin, size.height - size.margin - _block_height(foot))
    sheet.height = size.height
    return sheet


def _list(
    sheet: Sheet, plate: Plate, size: Size, names: Sequence[str] | None, shown: Sequence[int],
    corner: tuple[float, float], room: float, columns: int,
) -> float:  # fmt: skip
    """The captions of the panels that are shown, in columns; returns where they end."""
    width = (room - (columns - 1) * size.margin) / columns
    captions = _captions(plate, size, names, width, numbered=True)
    left, y = corner
    for at in range(0, len(shown), columns):
        y = 0.6 * size.margin + max(
            _write(sheet, captions[number], left + place * (width + size.margin), y)
            for place, number in enumerate(shown[at : at + columns])
        )
    return y


def _add_picture(
    sheet: Sheet, plate: Plate, size: Size, panel: Panel | None, x: int, y: int,
    shape: tuple[int, int], shown: Sequence[int] = (),
) -> None:  # fmt: skip
    height, width = shape
    if panel is not None:
        picture = plate.pixels(panel, shape)
    else:
        picture = np.zeros((height, width, 3), dtype=np.uint8)
        ends = np.round(np.linspace(0, width, len(shown) + 1)).astype(int)
        gap = max(1, round(0.08 * size.text))
        for number, start, end in zip(shown, ends[:-1], ends[1:], strict=True):
            stripe = (int(start), int(end))
            picture[:, start:end] = plate.pixels(plate.panels[number], shape, stripe)
            if start:
                picture[:, start - gap : start] = 255
            sheet.tags.append((str(number + 1), x + start + 0.5 * size.text, y + 0.5 * size.text))
    sheet.pictures.append((picture, x, y))
    um_per_px = plate.width_um.value / width
    length = round_length(BAR_SHARE * plate.width_um.value)
    words = prose(say_length(Quantity(length, "um")))
    sheet.bars.append((x + 0.7 * size.text, y + height - 0.7 * size.text, length / um_per_px,
                       size.text, words))  # fmt: skip


def round_length(most_um: float) -> float:
    """The largest length of 1, 2 or 5 times a power of ten that is no longer, um."""
    decade = 10.0 ** math.floor(math.log10(most_um))
    return max(step * decade for step in (1, 2, 5) if step * decade <= most_um * (1 + 1e-9))


# ---- words ---------------------------------------------------------------------------------------


def _heading(plate: Plate, size: Size) -> list[Words]:
    wide = size.width - 2 * size.margin
    return [
        *_folded(Words(plate.title, 1.5 * size.text, bold=True), wide),
        *_folded(Words(plate.chip, 1.1 * size.text, soft=True), wide),
    ]


def _captions(
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


def _footing(plate: Plate, size: Size, names: Sequence[str] | None) -> list[Words]:
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


def _block_height(lines: Sequence[Words]) -> float:
    return sum(LINE * line.size for line in lines)


def _write(sheet: Sheet, lines: Sequence[Words], x: float, y: float) -> float:
    """Put lines below each other and return where they end."""
    for line in lines:
        sheet.texts.append((line, x, y))
        y += LINE * line.size
    return y


# ---- ink -----------------------------------------------------------------------------------------


def _rendered(sheet: Sheet, size: Size, look: Look, suffix: str) -> bytes:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    paper, ink, soft = COLOURS[look]
    width, height = size.width, sheet.height
    with mpl.rc_context({"svg.hashsalt": "plate", "pdf.fonttype": 42}):
        figure = Figure(figsize=(width / size.dpi, height / size.dpi), dpi=size.dpi)
        figure.set_facecolor(paper)
        for picture, x, y in sheet.pictures:
            high, wide = picture.shape[:2]
            place = (x / width, 1 - (y + high) / height, wide / width, high / height)
            axes = figure.add_axes(place)
            axes.set_axis_off()
            axes.imshow(picture, interpolation="none", aspect="auto")
        over = figure.add_axes((0, 0, 1, 1))
        over.set(xlim=(0, width), ylim=(height, 0))
        over.set_axis_off()
        points = 72 / size.dpi
        for line, left, top in sheet.texts:
            over.text(
                left, top + 0.98 * line.size, line.text, fontsize=line.size * points,
                fontweight="bold" if line.bold else "normal", color=soft if line.soft else ink,
                va="baseline", ha="left", parse_math=False,
            )  # fmt: skip
        for bar in sheet.bars:
            _draw_bar(over, bar, points)
        for tag, left, top in sheet.tags:
            _draw_tag(over, tag, left, top, size.text, points)
        stream = io.BytesIO()
        made = {".png": {"Software": None}, ".svg": {"Date": None}, ".pdf": {"CreationDate": None}}
        figure.savefig(
            stream, format=suffix.lstrip("."), dpi=size.dpi, facecolor=paper,
            metadata=made[suffix],
        )  # fmt: skip
    return stream.getvalue()


def _draw_bar(axes: Any, bar: tuple[float, float, float, float, str], points: float) -> None:
    """A white bar with a dark casing, and its length above: shows on any ground."""
    from matplotlib.patches import Rectangle
    from matplotlib.patheffects import withStroke

    x, y, length, text, words = bar
    thick = 0.22 * text
    axes.add_patch(Rectangle((x - 0.08 * text, y - thick - 0.08 * text), length + 0.16 * text,
                             thick + 0.16 * text, color="black", linewidth=0))  # fmt: skip
    axes.add_patch(Rectangle((x, y - thick), length, thick, color="white", linewidth=0))
    casing = withStroke(linewidth=0.22 * text * points, foreground="black")
    axes.text(x, y - thick - 0.35 * text, words, fontsize=1.05 * text * points, color="white",
              fontweight="bold", va="baseline", parse_math=False, path_effects=[casing])  # fmt: skip


def _draw_tag(axes: Any, number: str, x: float, y: float, text: float, points: float) -> None:
    from matplotlib.patches import Rectangle

    side = 1.5 * text
    axes.add_patch(Rectangle((x, y), side, side, color="black", alpha=0.75, linewidth=0))
    axes.text(x + side / 2, y + 1.14 * text, number, fontsize=1.1 * text * points, color="white",
              fontweight="bold", va="baseline", ha="center", parse_math=False)  # fmt: skip
