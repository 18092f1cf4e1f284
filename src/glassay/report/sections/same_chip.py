"""The same piece of one chip through every instrument, and what laying them together says."""

from __future__ import annotations

from dataclasses import dataclass

from glassay.bench.chip.foretold import Foretold, foretell
from glassay.bench.chip.panel import Caption
from glassay.bench.chip.plate import Plate, Wanted, make_plate
from glassay.bench.chip.same_chip import SameChip, Twosome
from glassay.bench.measuring.matching import kept_matches
from glassay.bench.saying.words import say_length
from glassay.errors import GlassayError
from glassay.imaging.tone import eight_bit
from glassay.quantity import Quantity
from glassay.report.numbers import prose
from glassay.report.parts import Report, Section
from glassay.report.pictures import jpeg_uri
from glassay.report.plate_layout import BAR_SHARE, round_length
from glassay.report.plate_pictures import kept_search, panel_uri
from glassay.report.templating import Filling

PANEL_PX = 330
"""Side of a panel on the page: three beside each other fill it."""

PLATE_BYTES = 200_000
"""All panels of a plate together; the page has room for that beside its other photos."""

MOST_PANELS = 12

VIEW_BYTES = 20_000
"""Each of the two pictures of a predicted view."""


@dataclass(frozen=True)
class Shown:
    """One panel: its picture as a data URI and its caption."""

    picture: str
    caption: Caption


def fill(report: Report) -> Filling | None:
    """Each chip's plate and matches; None when nothing was matched."""
    told = [_chip(report, one) for one in matched_chips(report)]
    return {"chips": told} if told else None


def matched_chips(report: Report) -> list[SameChip]:
    """The chips whose photos were matched."""
    found = report.results.once("matches", lambda: kept_matches(report.results))
    return [one for one in found if one.pairs and not one.waiting]


def plate_of_chip(report: Report, chip: SameChip) -> Plate:
    """The plate of one chip as a reader first sees it. Raises `GlassayError` where there is none."""
    return report.results.once(
        f"plate of {chip.object}",
        lambda: make_plate(
            report.results, [chip], Wanted(object=chip.object), kept_search(report.results)
        ),
    )


def _chip(report: Report, chip: SameChip) -> Filling:
    thing = report.results.bench.object(chip.object)
    told: Filling = {
        "name": thing.name or thing.id,
        "pairs": [_pair(report, pair) for pair in chip.pairs],
        "unmatched": [(name_of(report, one), why) for one, why in chip.unmatched.items()],
    }
    try:
        plate = plate_of_chip(report, chip)
    except GlassayError as error:
        return {**told, "panels": [], "why_none": str(error)}
    foretold = [_foretold(report, one) for one in foretell(report.results, chip, plate)]
    return {**told, **_plate(report, plate), "foretold": foretold}


def _plate(report: Report, plate: Plate) -> Filling:
    panels = plate.panels[:MOST_PANELS]
    shape = (round(PANEL_PX / plate.aspect), PANEL_PX)
    share = PLATE_BYTES // len(panels)
    width = plate.width_um.value
    bar = round_length(BAR_SHARE * width)
    return {
        "panels": [
            Shown(panel_uri(report.results, plate, p, shape, share), p.caption) for p in panels
        ],
        "wide": prose(say_length(Quantity(width, "um"))),
        "bar_share": 100 * bar / width, "bar": prose(say_length(Quantity(bar, "um"))),
        "kernel": plate.kernel_words, "scale_by": plate.scale_by,
        "px": shape, "left_out": plate.left_out,
    }  # fmt: skip


def _foretold(report: Report, one: Foretold) -> Filling:
    pictures = [jpeg_uri(eight_bit(light), VIEW_BYTES) for light in (one.predicted, one.real)]
    return {
        "name": name_of(report, one.capture.id), "source": name_of(report, one.source.id),
        "predicted": pictures[0], "real": pictures[1], "px": one.real.shape,
        "detail": one.agreement.findings()["detail_ratio"].quantity, "divided": one.divided,
        "notes": one.notes,
    }  # fmt: skip


def _pair(report: Report, pair: Twosome) -> Filling:
    return {
        "first": name_of(report, pair.first), "second": name_of(report, pair.second),
        "result": pair.result, "reason": pair.reason, "verdict": pair.verdict,
        "expected": pair.expected,
        "error": None if pair.error is None else pair.error.scaled(100, "%"),
    }  # fmt: skip


def name_of(report: Report, capture_id: str) -> str:
    """Instrument and setting of a capture."""
    bench = report.results.bench
    capture = next(one for one in bench.captures if one.id == capture_id)
    instrument = bench.instrument(capture.instrument)
    if len(instrument.settings) == 1:
        return instrument.title
    return f"{instrument.title}, {instrument.setting(capture.setting).title}"


SECTION = Section(
    "same-chip", "The same chip at the same scale", "same_chip.html", fill, folded=True
)
