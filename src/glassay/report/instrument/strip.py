"""An instrument at a glance: its pictures side by side, one sentence, its claims as one table."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from glassay.bench.document.model import Capture, Instrument
from glassay.bench.keeping.results import BenchResults, CaptureResult, Verdict
from glassay.bench.saying.words import say, say_length, say_times
from glassay.errors import GlassayError
from glassay.quantity import Quantity
from glassay.report.evidence import kept_drawings
from glassay.report.instrument.claims import title_of
from glassay.report.parts import Report
from glassay.report.picks import buyer_sentence
from glassay.report.pictures import Pixels, for_screen, jpeg_uri, picture_of

PICTURE_PX, PICTURE_BYTES = 420, 22_000
"""Size of a picture of the strip."""

CLOSE_UP = 0.45
"""Share of the photo's width that a close-up of a chip shows."""

SHORT_REASON = 110
"""Letters of what is found beside a claim; what is longer is told whole below."""


@dataclass(frozen=True)
class Shot:
    """One picture of the strip: its data URI, what it shows, and where its evidence stands."""

    picture: str
    caption: str
    anchor: str


@dataclass(frozen=True)
class ClaimLine:
    """One row of the table of claims."""

    claim: str
    where: str
    word: str
    found: str


@dataclass(frozen=True)
class Strip:
    """What stands first of an instrument."""

    shots: tuple[Shot, ...]
    sentence: str
    claims: tuple[ClaimLine, ...]


def strip_of(report: Report, instrument: Instrument) -> Strip:
    """The strip of one instrument."""
    return Strip(
        tuple(_shots(report, instrument)), buyer_sentence(report.results, instrument),
        tuple(claim_line(one) for one in report.results.verdicts_of(instrument.id)),
    )  # fmt: skip


def _shots(report: Report, instrument: Instrument) -> Iterator[Shot]:
    for capture, caption, close in _chosen(report.results, instrument):
        try:
            picture = _picture(report.results, capture, close)
        except GlassayError:
            continue  # the captures below say what is wrong with it
        yield Shot(picture, caption, report.anchor(capture.id))


def _picture(results: BenchResults, capture: Capture, close: bool) -> str:
    path = results.bench.shown_path(capture.files[0])
    size = PICTURE_PX if not close else round(PICTURE_PX / CLOSE_UP)
    kept = kept_drawings(results)
    return kept.once(
        ["strip", kept.contents([path]), size, close, PICTURE_BYTES],
        lambda: jpeg_uri(_middle(for_screen(picture_of(path), size), close), PICTURE_BYTES),
    )


def _middle(pixels: Pixels, close: bool) -> Pixels:
    """The picture cut to 4:3 about its middle; a close-up is its middle alone."""
    height, width = pixels.shape[:2]
    across = width * (CLOSE_UP if close else 1.0)
    across = math.floor(min(across, height * 4 / 3))
    down = math.floor(min(height, across * 3 / 4))
    left, top = (width - across) // 2, (height - down) // 2
    return pixels[top : top + down, left : left + across]


def _chosen(results: BenchResults, instrument: Instrument) -> Iterator[tuple[Capture, str, bool]]:
    """The instrument itself, its chip close up, and its finest slide: the first of each."""
    mine = [one for one in results.captures if one.capture.instrument == instrument.id]
    kinds = {thing.id: str(thing.kind) for thing in results.bench.objects}
    photos = [one for one in mine if one.facts.get("frames") is None]
    for kind, words, close in (
        ("picture", "the instrument", False),
        ("chip", "a chip, close up", True),
    ):
        found = next((one for one in photos if kinds.get(one.capture.object) == kind), None)
        if found is not None:
            yield found.capture, words, close
    slides = [one for one in photos if kinds.get(one.capture.object) in ("ruled scale", "grid")
              and "pixel_size" in one.findings]  # fmt: skip
    if slides:
        finest = min(slides, key=_pixel)
        yield finest.capture, "its slide, as measured", False


def _pixel(one: CaptureResult) -> float:
    return one.findings["pixel_size"].quantity.value


def claim_line(one: Verdict) -> ClaimLine:
    """A claim, where it stands, its verdict, and what was found, short."""
    return ClaimLine(title_of(one), one.claim.where, one.word, _found(one))


def _found(one: Verdict) -> str:
    value = one.value
    if one.claim.kind == "magnification" and value is not None:
        best = one.readings[0] if one.readings else None
        zoom = f" with {best.zoom:g}x digital zoom" if best is not None and best.zoom != 1 else ""
        return f"{say_times(value)}{zoom}, {one.value_name}"
    if isinstance(value, Quantity):
        return say_length(value) if value.unit == "um" else say(value, f" {value.unit}")
    reason = one.sentence.partition(": ")[2].rstrip(".") or one.sentence
    if len(reason) <= SHORT_REASON:
        return reason
    return reason[:SHORT_REASON].rsplit(" ", 1)[0] + " ..."
