"""Evidence drawn over captures, by what each method's record names as its drawing.

Such a module has `figures(case) -> tuple[Figure, ...]`. It describes what to draw from the evidence
kept with the result (plain data); where that is missing, `Case.evidence` measures the capture
again. The same description of a measurement just made goes into a file (`--figure`).
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import cv2
import numpy as np

from glassay.bench.document.model import Bench, Capture
from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.results import BenchResults, CaptureResult, MethodResult
from glassay.bench.measuring.methods import METHODS
from glassay.errors import GlassayError, Unusable
from glassay.extensions import named
from glassay.finding import Finding
from glassay.imaging import Photo
from glassay.report.drawing import CaptureFigures, Figure, Label, Overlay, Stroke
from glassay.report.kept_drawings import KeptDrawings
from glassay.report.pictures import (
    LEAST_BYTES,
    LONGEST_PX,
    PAGE_BYTES,
    Pixels,
    for_screen,
    jpeg_uri,
    picture_of,
    share_of_page,
)

PLAIN_PHOTO = "glassay.report.evidence_none:figures"
"""What shows a capture of which nothing is drawn: the photo as it is."""

FILE_PX, FILE_BYTES = 1600, 2_000_000
"""Longer side of a picture in a file of its own, and its bytes: sharp at the width of a screen."""


@dataclass
class Case:
    """What one method made of one capture, for drawing. Not kept beyond that.

    `read` gives a photo of the capture by its number, `measured` the evidence as plain data.
    """

    method: str
    files: tuple[str, ...]
    findings: Mapping[str, Finding]
    read: Callable[[int], Photo]
    measured: Callable[[], Mapping[str, Any]]
    bytes_left: int
    name: str = ""
    """Prefix for ids within the page, unique to this capture and method."""
    is_first: bool = True
    """Whether no other method's drawing has shown the photo yet."""
    longest_px: int = LONGEST_PX
    """Longer side of pictures."""
    _photos: dict[int, Photo] = field(default_factory=dict, repr=False)

    @classmethod
    def of_capture(
        cls, bench: Bench, capture: Capture, part: MethodResult, bytes_left: int, name: str = "",
        is_first: bool = True, photos: dict[int, Photo] | None = None,
    ) -> Case:  # fmt: skip
        """A kept result: with its evidence, or a fresh one if none was stored.

        Its pictures are photos of the capture, or the first frame of a clip.
        """

        def measured() -> Mapping[str, Any]:
            if part.evidence:
                return part.evidence
            method = METHODS[part.method]
            settings = to_plain(method.settings(bench, capture))
            return to_plain(method.measure(bench.paths(capture), settings).evidence) or {}

        def read(number: int) -> Photo:
            return picture_of(bench.shown_path(capture.files[number]))

        return cls(part.method, tuple(capture.files), part.findings, read, measured, bytes_left,
                   name, is_first, _photos={} if photos is None else photos)  # fmt: skip

    @classmethod
    def of_result(
        cls, method: str, findings: Mapping[str, Finding], evidence: Any,
        photos: Sequence[Photo], files: Sequence[str],
    ) -> Case:  # fmt: skip
        """A measurement just made, to be drawn into a file."""
        return cls(
            method, tuple(files), findings, photos.__getitem__, lambda: to_plain(evidence),
            FILE_BYTES, longest_px=FILE_PX,
        )  # fmt: skip

    def photo(self, number: int = 0) -> Photo:
        """A photo of the capture. Raises `Unusable`."""
        if number not in self._photos:
            self._photos[number] = self.read(number)
        return self._photos[number]

    @cached_property
    def evidence(self) -> Mapping[str, Any]:
        """The evidence as plain data."""
        return self.measured()

    def embed(self, pixels: Pixels, share: float = 1.0) -> str:
        """A picture as a data URI, within this share of what the capture may take of the page."""
        return jpeg_uri(pixels, max(LEAST_BYTES, int(self.bytes_left * share)))

    def overlay(
        self, photo: Photo, words: str, strokes: Sequence[Stroke] = (),
        labels: Sequence[Label] = (), letter: float = 1.0, what: str = "", share: float = 1.0,
    ) -> Overlay:  # fmt: skip
        """Strokes over one of the photos, or over a piece of one; `what` tells several apart."""
        source = self.embed(for_screen(photo, self.longest_px), share)
        box = (-0.5, -0.5, float(photo.width), float(photo.height))
        name = f"{self.name}-{what}" if what else self.name
        return Overlay(name, words, source, box, tuple(strokes), tuple(labels), letter)


def kept_picture(text: str) -> Pixels:
    """A picture file kept with a result as base64, 8 bits, grey or B, G, R."""
    data = np.frombuffer(base64.b64decode(text), dtype=np.uint8)
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_UNCHANGED), dtype=np.uint8)


def overlay_in_file(
    photo: Photo, words: str, strokes: Sequence[Stroke] = (), labels: Sequence[Label] = (),
    letter: float = 1.0,
) -> Overlay:  # fmt: skip
    """Strokes over a photo, for a file of its own."""
    source = jpeg_uri(for_screen(photo, FILE_PX), FILE_BYTES)
    box = (-0.5, -0.5, float(photo.width), float(photo.height))
    return Overlay("", words, source, box, tuple(strokes), tuple(labels), letter)


def pixels_in_file(pixels: Pixels, words: str) -> Overlay:
    """A picture as it is, for a file of its own."""
    height, width = pixels.shape[:2]
    source = jpeg_uri(pixels, FILE_BYTES)
    return Overlay("", words, source, (-0.5, -0.5, float(width), float(height)))


def draw_captures(results: BenchResults) -> dict[str, CaptureFigures]:
    """The figures of every capture by its id; photos are shrunk until all fit on one page.

    Where there are too many for that, the first capture of each setting keeps its picture and the
    others give theirs up.
    """
    drawn = _in_order_of_worth(results)
    room = PAGE_BYTES // LEAST_BYTES
    left_out = {one.capture.id for one in drawn[room:]}
    share = share_of_page(min(len(drawn), room))

    bench, kept = results.bench, kept_drawings(results)

    def draw(numbered: tuple[int, CaptureResult]) -> CaptureFigures:
        number, result = numbered
        if result.capture.id in left_out:
            return CaptureFigures(missing="The picture is left out to keep this page small.")
        name, files = f"c{number}", result.capture.files
        try:
            made_of = [
                name,
                share,
                files,
                kept.contents(bench.paths(result.capture)),
                result.parts,
            ]
        except Unusable:  # a file is gone, and its drawing says so
            return _draw(bench, result, share, name)
        return kept.once(
            made_of,
            lambda: _draw(bench, result, share, name),
            lasting=lambda made: not made.missing,
        )

    # Decoding and shrinking run outside the interpreter's lock; two at a time bound the memory.
    with ThreadPoolExecutor(2) as pool:
        made = list(pool.map(draw, enumerate(results.captures)))
    return {one.capture.id: figures for one, figures in zip(results.captures, made, strict=True)}


def kept_drawings(results: BenchResults) -> KeptDrawings:
    """What was drawn of this bench before."""
    return results.once("drawings", lambda: KeptDrawings(results.bench.results_folder))


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
    photos: dict[int, Photo] = {}
    try:
        for number, part in enumerate(drawable or result.parts[:1]):
            case = Case.of_capture(
                bench, result.capture, part, _bytes_of(number, len(drawable), share),
                f"{name}-{number}", number == 0, photos,
            )  # fmt: skip
            figures += named(_drawing_of(part) if drawable else PLAIN_PHOTO)(case)
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
