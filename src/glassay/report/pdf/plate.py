"""The same piece of one chip through every instrument, on one page of the printed report."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from typing import Any

from PIL import Image
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.platypus import KeepTogether, Spacer, Table

from glassay.bench.chip.plate import Panel, Plate, Wanted, make_plate
from glassay.bench.chip.same_chip import SameChip
from glassay.bench.saying.words import say, say_length
from glassay.errors import GlassayError
from glassay.quantity import Quantity
from glassay.report.numbers import prose, sentence
from glassay.report.parts import Report
from glassay.report.pdf.figures import Overlay, Picture
from glassay.report.pdf.style import CELL, HEADS, SMALL, WIDTH, clean, marked, table, text
from glassay.report.plate_sheet import BAR_SHARE, foot_of, numbers_below, round_length
from glassay.report.sections.same_chip import MOST_PANELS, SECTION, matched_chips, name_of

GAP = 4 * mm
CAPTION = 21 * mm
"""Height that is kept for the captions below a row of panels, five lines and a folded name."""
ROOM = 205 * mm
"""Height for the panels with their captions: the page less heading, sentences and foot."""
DPI, QUALITY = 300, 88


class _Panel(Picture):
    """One photo's piece at its size on paper, with the scale bar."""

    def __init__(self, plate: Plate, panel: Panel, width: float) -> None:
        super(Picture, self).__init__()
        self.width, self.height = width, width / plate.aspect
        across = round(width / 72 * DPI)
        shape = (round(across / plate.aspect), across)
        self.size_px = (shape[1], shape[0])
        wide = plate.width_um.value
        bar = round_length(BAR_SHARE * wide)
        words = prose(say_length(Quantity(bar, "um")))
        self.overlay = Overlay(bar=(bar / wide * across, words))
        stream = io.BytesIO()
        Image.fromarray(plate.pixels(panel, shape)).save(stream, "JPEG", quality=QUALITY)
        self.image = ImageReader(stream)


def same_chip(report: Report) -> Iterator[Any]:
    """Each chip's plate, and what the matches say of the calibrations."""
    for number, chip in enumerate(matched_chips(report)):
        heading = [] if number else [text(SECTION.title, HEADS[1])]
        yield KeepTogether([*heading, *_plate(report, chip)])
        yield from _matches(report, chip)


def _plate(report: Report, chip: SameChip) -> list[Any]:
    thing = report.results.bench.object(chip.object)
    name = thing.name or thing.id
    try:
        plate = make_plate(report.results, [chip], Wanted(object=chip.object))
    except GlassayError as error:
        return [text(f"There is no plate of {name}: {error}.")]
    panels = plate.panels[:MOST_PANELS]
    across, width = _columns(len(panels), plate.aspect)
    cells = [[_Panel(plate, panel, width), Spacer(0, 3), *_caption(panel)] for panel in panels]
    rows = [cells[at : at + across] for at in range(0, len(cells), across)]
    rows[-1] += [[]] * (across - len(rows[-1]))
    grid = Table(rows, colWidths=[width + GAP] * across, hAlign="LEFT", style=[
        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), GAP), ("TOPPADDING", (0, 0), (-1, -1), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 8),
        ("FONTNAME", (0, 0), (-1, -1), "Text"),  # or else a face that is not embedded is named
    ])  # fmt: skip
    said = f"The same piece of {name} in every picture; the photos were laid over each other by what" \
           " they show."  # fmt: skip
    return [text(said), grid, *(text(one, SMALL) for one in foot_of(plate))]


def _columns(count: int, aspect: float) -> tuple[int, float]:
    """How many panels stand beside each other, and how wide: as large as one page allows."""
    best = (1, 0.0)
    for across in range(1, max(2, count) + 1):
        high = ROOM / math.ceil(count / across) - CAPTION
        width = min((WIDTH - (across - 1) * GAP) / across, high * aspect)
        if width > best[1]:
            best = (across, width)
    return best


def _caption(panel: Panel) -> list[Any]:
    told = panel.caption
    lines = [marked(f"<b>{clean(told.instrument)}</b>", CELL)]
    if told.setting:
        lines.append(text(told.setting, CELL))
    return lines + [text(one, CELL) for one in numbers_below(told)]


def _matches(report: Report, chip: SameChip) -> Iterator[Any]:
    yield text("One chip as a check on two calibrations", HEADS[3])
    yield text("agree: the ratio of the two pixel sizes is that of the match, within its expanded"
               " uncertainty at 95 %.", SMALL)  # fmt: skip
    rows = [["photos", "scale ratio by the match", "calibrations against it", "verdict"]]
    for pair in chip.pairs:
        names = f"{name_of(report, pair.second)} over {name_of(report, pair.first)}"
        if pair.result is None:
            why = sentence(pair.reason or "not matched yet; run the bench")
            rows.append([names, why, "", ""])
            continue
        off = "not calibrated" if pair.error is None else say(pair.error.scaled(100, "%"), " %")
        rows.append([names, say(pair.result.scale_ratio), off, pair.verdict or "–"])
    yield table(rows, [WIDTH * share for share in (0.46, 0.21, 0.21, 0.12)])
