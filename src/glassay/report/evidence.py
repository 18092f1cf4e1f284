"""Evidence drawn over captures, by what each method's record names as its drawing.

Such a module has `figures(case) -> tuple[Figure, ...]`. It draws from the evidence kept with the
result (plain data); where that is missing, `Case.evidence` measures the capture again.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from markupsafe import Markup

from glassay.bench.document.model import Bench, Capture
from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.results import BenchResults, CaptureResult, MethodResult
from glassay.bench.measuring.methods import METHODS
from glassay.errors import GlassayError
from glassay.extensions import named
from glassay.imaging import Photo
from glassay.report.pictures import (
    LEAST_BYTES,
    PAGE_BYTES,
    Pixels,
    jpeg_uri,
    picture_of,
    share_of_page,
)

PLAIN_PHOTO = "glassay.report.evidence_none:figures"
"""What shows a capture of which nothing is drawn: the photo as it is."""


@dataclass(frozen=True)
class Figure:
    """One drawing: its HTML, and in words what there is to see in it."""

    html: Markup
    caption: str


@dataclass(frozen=True)
class CaptureFigures:
    """The figures of one capture; `missing` says why where there are none."""

    figures: tuple[Figure, ...] = ()
    missing: str = ""


@dataclass
class Case:
    """One capture and what one method made of it, for drawing. Not kept beyond that."""

    bench: Bench
    capture: Capture
    part: MethodResult
    bytes_left: int
    name: str = ""
    """Prefix for ids within the page, unique to this capture and method."""
    is_first: bool = True
    """Whether no other method's drawing has shown the photo yet."""
    _photo: Photo | None = field(default=None, repr=False)

    @property
    def photo(self) -> Photo:
        """The capture's (first) photo, or the first frame of its clip. Raises `Unusable`."""
        if self._photo is None:
            self._photo = picture_of(self.bench.shown_path(self.capture.files[0]))
        return self._photo

    @cached_property
    def evidence(self) -> Mapping[str, Any]:
        """The evidence as plain data: the stored one, or a fresh one if none was stored."""
        if self.part.evidence:
            return self.part.evidence
        method = METHODS[self.part.method]
        settings = to_plain(method.settings(self.bench, self.capture))
        outcome = method.measure(self.bench.paths(self.capture), settings)
        return to_plain(outcome.evidence) or {}

    def embed(self, pixels: Pixels, share: float = 1.0) -> str:
        """A picture as a data URI, within this share of what the capture may take of the page."""
        return jpeg_uri(pixels, max(LEAST_BYTES, int(self.bytes_left * share)))


def draw_captures(results: BenchResults) -> dict[str, CaptureFigures]:
    """The figures of every capture by its id; photos are shrunk until all fit on one page.

    Where there are too many for that, the first capture of each setting keeps its picture and the
    others give theirs up.
    """
    drawn = _in_order_of_worth(results)
    room = PAGE_BYTES // LEAST_BYTES
    left_out = {one.capture.id for one in drawn[room:]}
    share = share_of_page(min(len(drawn), room))

    def draw(numbered: tuple[int, CaptureResult]) -> CaptureFigures:
        number, result = numbered
        if result.capture.id in left_out:
            return CaptureFigures(missing="The picture is left out to keep this page small.")
        return _draw(results.bench, result, share, f"c{number}")

    # Decoding and shrinking run outside the interpreter's lock; two at a time bound the memory.
    with ThreadPoolExecutor(2) as pool:
        made = list(pool.map(draw, enumerate(results.captures)))
    return {one.capture.id: figures for one, figures in zip(results.captures, made, strict=True)}


def _in_order_of_worth(results: BenchResults) -> list[CaptureResult]:
    seen: set[tuple[str, str]] = set()
    first: list[CaptureResult] = []
    others: list[CaptureResult] = []
    for one in results.captures:
        place = (one.capture.instrument, one.capture.setting)
        (others if place in seen or one.status != "measured" else first).append(one)
        if one.status == "measured":
            seen.add(place)
    return first + others


def _draw(bench: Bench, result: CaptureResult, share: int, name: str) -> CaptureFigures:
    parts = [part for part in result.parts if part.status == "measured"]
    drawable = [part for part in parts if _drawing_of(part)]
    figures: list[Figure] = []
    photo: Photo | None = None
    try:
        for number, part in enumerate(drawable or result.parts[:1]):
            case = Case(bench, result.capture, part, _bytes_of(number, len(drawable), share),
                        f"{name}-{number}", number == 0, photo)  # fmt: skip
            figures += named(_drawing_of(part) if drawable else PLAIN_PHOTO)(case)
            photo = case._photo
    except GlassayError as error:
        return CaptureFigures(tuple(figures), f"It cannot be shown: {error}")
    except Exception as error:  # a fault in one drawing must not cost the whole page
        reason = " ".join(f"{type(error).__name__}: {error}".split())
        return CaptureFigures(tuple(figures), f"Its drawing failed unexpectedly ({reason}).")
    return CaptureFigures(tuple(figures))


def _drawing_of(part: MethodResult) -> str:
    """What draws a method's evidence; "" for nothing, and for a method no longer installed."""
    return METHODS[part.method].drawing if part.method in METHODS else ""


def _bytes_of(number: int, drawings: int, share: int) -> int:
    """What a capture's drawings may take: three quarters for the first, which shows the photo."""
    if drawings <= 1:
        return share
    return share * 3 // 4 if number == 0 else share // 4 // (drawings - 1)
