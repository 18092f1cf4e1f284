"""The evidence behind a sensor's array: its outline over the photo, and a piece of it, enlarged, under
lines one pitch apart. Where lines and cells part company, the pitch is wrong.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from glassay.bench.measuring.methods.array import evidence_of
from glassay.bench.saying.words import short
from glassay.imaging import Photo
from glassay.lattice import ArrayResult
from glassay.report.drawing import Figure, Overlay
from glassay.report.evidence import Case
from glassay.report.figure_file import check_figure_name, write_panels
from glassay.report.strokes import line_path, outline_path

PERIODS_SHOWN = 14
LEAST_SHOWN_PX = 40

Points = npt.NDArray[np.float64]
Box = tuple[int, int, int, int]


def draw_array(photos: Sequence[Photo], result: ArrayResult, path: Path) -> None:
    """Draw where the lattice was seen, its rows over a piece of the photo, and the array's outline.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    names = [photo.path.name for photo in photos]
    evidence = evidence_of(result)
    case = Case.of_result("pixel array", result.findings(), evidence, photos, names)
    seen = _seen(case, case.evidence)
    found = figures(case)
    panels = [seen, *(panel for figure in reversed(found) for panel in figure.panels)]
    write_panels(panels, path, ", ".join(names))


def _seen(case: Case, evidence: Mapping[str, Any]) -> Overlay:
    """Frames around the blocks in which the lattice is seen."""
    photo = case.photo(int(evidence["photo"]))
    high, wide = evidence["block"]
    (left, top), blocks = evidence["at"], zip(*np.nonzero(evidence["filled"]), strict=True)
    path = "".join(
        f"M{left + (c + 0.5) * wide:.1f} {top + (r + 0.5) * high:.1f}h0" for r, c in blocks
    )
    return case.overlay(
        photo, f"{photo.path.name}: dots where the lattice is seen", [("thin dots", path)]
    )


def _piece(
    photo: Photo, filled: npt.NDArray[Any], block_px: Sequence[int], at: Sequence[int],
    pitches: Sequence[float | None],
) -> Box:  # fmt: skip
    """A square of some periods in the middle of what the lattice fills."""
    side = max(LEAST_SHOWN_PX, math.ceil(PERIODS_SHOWN * max(p for p in pitches if p is not None)))
    rows, columns = np.nonzero(filled)
    middle = np.median(rows), np.median(columns)
    nearest = int(np.argmin(np.hypot(rows - middle[0], columns - middle[1])))
    x = at[0] + (columns[nearest] + 0.5) * block_px[1]
    y = at[1] + (rows[nearest] + 0.5) * block_px[0]
    wide, high = min(side, photo.width), min(side, photo.height)
    left = int(np.clip(x - wide / 2, 0, photo.width - wide))
    top = int(np.clip(y - high / 2, 0, photo.height - high))
    return left, top, wide, high


def _lines(piece: Photo, pitches: Sequence[float | None], tilt_deg: float) -> Iterator[Points]:
    """Lines one pitch apart within the piece, laid where it is darkest: between the cells."""
    light = piece.linear_grey()
    y, x = np.mgrid[0 : piece.height, 0 : piece.width]
    c, s = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
    for pitch, across in zip(pitches, (np.array([c, s]), np.array([-s, c])), strict=True):
        if pitch is None:
            continue
        place = (x * across[0] + y * across[1]) / pitch
        slot = np.floor(place % 1 * 12).astype(int).ravel() % 12
        mean = np.bincount(slot, light.ravel(), 12) / np.maximum(np.bincount(slot, None, 12), 1)
        first = (int(np.argmin(mean)) + 0.5) / 12
        for k in range(math.ceil(float(place.min()) - first), math.floor(float(place.max())) + 1):
            ends = _within(piece, across, (k + first) * pitch)
            if ends is not None:
                yield ends


def _within(piece: Photo, across: Points, distance: float) -> Points | None:
    """The part of the line `across` . p = `distance` that lies within the piece."""
    along = np.array([-across[1], across[0]])
    low, high = -math.inf, math.inf
    for axis, size in enumerate((piece.width, piece.height)):
        start, step = distance * across[axis], along[axis]
        if abs(step) < 1e-9:
            if not -0.5 <= start <= size - 0.5:
                return None
            continue
        ends = sorted(((-0.5 - start) / step, (size - 0.5 - start) / step))
        low, high = max(low, ends[0]), min(high, ends[1])
    if high <= low:
        return None
    return np.array([distance * across + t * along for t in (low, high)])


def figures(case: Case) -> tuple[Figure, ...]:
    """The outline over the photo in which it was found, and a piece under lines one pitch apart."""
    evidence = case.evidence
    made = []
    if "outline" in evidence:
        made.append(_outlined(case, evidence))
    if "pitch" in evidence:
        made.append(_enlarged(case, evidence))
    return tuple(made)


def _outlined(case: Case, evidence: Mapping[str, Any]) -> Figure:
    photo = case.photo(int(evidence["outline_photo"]))
    words = "Frame: the active array, as its edges were found"
    found = case.findings
    if "columns" in found:
        columns, rows = found["columns"].quantity, found["rows"].quantity
        words += f"; {columns.value:.0f} x {rows.value:.0f} pixels"
    frame = [("", outline_path(evidence["outline"]))]
    return Figure((case.overlay(photo, words, frame, what="outline", share=0.6),), f"{words}.")


def _enlarged(case: Case, evidence: Mapping[str, Any]) -> Figure:
    photo = case.photo(int(evidence["photo"]))
    pitches = [None if p is None else float(p["value"]) for p in evidence["pitch"]]
    filled = np.asarray(evidence["filled"])
    box = _piece(photo, filled, evidence["block"], evidence["at"], pitches)
    piece = photo.crop(box)
    lines = [("thin", line_path(list(_lines(piece, pitches, float(evidence["tilt_deg"])))))]
    said = " and ".join(short(p) for p in pitches if p is not None)
    words = f"A piece of {box[2]} x {box[3]} px: lines {said} px apart, as its sites lie"
    return Figure((case.overlay(piece, words, lines, what="piece", share=0.3),), f"{words}.")
