"""Where everything stands on a plate's sheet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from glassay.bench.chip.panel import Panel
from glassay.bench.chip.plate import Plate
from glassay.bench.saying.words import say_length
from glassay.errors import Unusable
from glassay.quantity import Quantity
from glassay.report.numbers import prose
from glassay.report.plate_text import LINE, Size, Words, block_height, captions_of, footing, heading

Pixels = npt.NDArray[np.uint8]
Layout = Literal["grid", "wipe", "alternate"]

BAR_SHARE = 0.34
"""The scale bar takes at most this share of a panel's width."""


def lay_out(plate: Plate, size: Size, layout: Layout, names: Sequence[str] | None = None) -> Sheet:
    """Where everything stands on a sheet."""
    if layout == "grid":
        return _grid(plate, size, names)
    return with_list(plate, size, names, range(len(plate.panels)))


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
    rest = block_height(heading(plate, size)) + block_height(footing(plate, size, names))
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
    return max(block_height(lines) for lines in captions_of(plate, size, names, width))


def _still_of(
    plate: Plate, size: Size, still: int, names: Sequence[str] | None, cell: _Cell
) -> Sheet:
    height, gap = round(cell.width / plate.aspect), 0.6 * size.margin
    sheet = Sheet(still, [], [], [], [])
    top = _write(sheet, heading(plate, size), size.margin, size.margin) + size.margin
    captions = captions_of(plate, size, names, cell.caption)
    used = height if cell.beside else height + gap + max(block_height(c) for c in captions)
    foot = footing(plate, size, names)
    end = still - size.margin - block_height(foot)
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
    head = block_height(heading(plate, size))
    foot = block_height(footing(plate, size, names))
    rows = [
        max(block_height(c) for c in captions_of(plate, size, names, width)[at : at + across])
        for at in range(0, len(plate.panels), across)
    ]
    return head + foot + sum(rows) + (3 + 1.4 * len(rows)) * size.margin


def _grid_of(
    plate: Plate, size: Size, names: Sequence[str] | None, across: int, width: int
) -> Sheet:
    height = round(width / plate.aspect)
    sheet = Sheet(0, [], [], [], [])
    y = _write(sheet, heading(plate, size), size.margin, size.margin) + size.margin
    captions = captions_of(plate, size, names, width)
    for at in range(0, len(plate.panels), across):
        bottom = top = round(y)
        for place, number in enumerate(range(at, min(at + across, len(plate.panels)))):
            x = size.margin + place * (width + size.margin)
            _add_picture(sheet, plate, size, plate.panels[number], x, top, (height, width))
            below = _write(sheet, captions[number], x, top + height + 0.4 * size.margin)
            bottom = max(bottom, math.ceil(below))
        y = bottom + size.margin
    y = _write(sheet, footing(plate, size, names), size.margin, y)
    sheet.height = math.ceil(y + size.margin)
    return sheet


def with_list(plate: Plate, size: Size, names: Sequence[str] | None, shown: Sequence[int]) -> Sheet:
    """A large picture with the list of instruments beside it (stills) or below it (print)."""
    sheet = Sheet(0, [], [], [], [])
    top = round(_write(sheet, heading(plate, size), size.margin, size.margin) + size.margin)
    foot = footing(plate, size, names)
    width = size.width - 2 * size.margin
    if size.height is not None:
        free = size.height - top - block_height(foot) - 2 * size.margin
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
    captions = captions_of(plate, size, names, room, numbered=True)
    tall = sum(block_height(captions[n]) + 0.6 * size.margin for n in shown)
    _list(sheet, plate, size, names, shown, corner, room, 1 if tall <= height else 2)
    _write(sheet, foot, size.margin, size.height - size.margin - block_height(foot))
    sheet.height = size.height
    return sheet


def _list(
    sheet: Sheet, plate: Plate, size: Size, names: Sequence[str] | None, shown: Sequence[int],
    corner: tuple[float, float], room: float, columns: int,
) -> float:  # fmt: skip
    """The captions of the panels that are shown, in columns; returns where they end."""
    width = (room - (columns - 1) * size.margin) / columns
    captions = captions_of(plate, size, names, width, numbered=True)
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


def _write(sheet: Sheet, lines: Sequence[Words], x: float, y: float) -> float:
    """Put lines below each other and return where they end."""
    for line in lines:
        sheet.texts.append((line, x, y))
        y += LINE * line.size
    return y
