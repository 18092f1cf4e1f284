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

from glassay.bench.saying.words import short
from glassay.imaging import Photo, read_photo
from glassay.lattice import ArrayResult
from glassay.report.evidence import Case, Figure
from glassay.report.figure_file import check_figure_name, save_figure
from glassay.report.pictures import for_screen
from glassay.report.templating import render

MARK, CASING = "#ffb000", "#2b1d00"
PERIODS_SHOWN = 14
LEAST_SHOWN_PX = 40

Points = npt.NDArray[np.float64]
Box = tuple[int, int, int, int]


def draw_array(photos: Sequence[Photo], result: ArrayResult, path: Path) -> None:
    """Draw where the lattice was seen, its rows over a piece of the photo, and the array's outline.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    from matplotlib.figure import Figure as Canvas

    check_figure_name(path)
    panels = 3 if result.extent is not None else 2
    canvas = Canvas(figsize=(4.6 * panels, 4.6), layout="constrained")
    axes = canvas.subplots(1, panels, squeeze=False)[0]
    photo = photos[result.lattice_of]
    _draw_filled(axes[0], photo, result)
    _draw_piece(axes[1], photo, result)
    if result.extent is not None and result.extent_of is not None:
        _draw_outline(axes[2], photos[result.extent_of], result)
    save_figure(canvas, path)


def _show(axes: Any, photo: Photo) -> None:
    frame = (-0.5, photo.width - 0.5, photo.height - 0.5, -0.5)
    axes.imshow(for_screen(photo, 1200), extent=frame, cmap="gray", vmin=0, vmax=255)
    axes.set(xlim=frame[:2], ylim=frame[2:], xticks=[], yticks=[])


def _draw_filled(axes: Any, photo: Photo, result: ArrayResult) -> None:
    _show(axes, photo)
    lattice = result.lattice
    rows, columns = np.nonzero(lattice.filled)
    high, wide = lattice.block_px
    axes.plot((columns + 0.5) * wide, (rows + 0.5) * high, ".", color=MARK, markersize=2)
    axes.set_xlabel(f"{photo.path.name}: dots where the lattice is seen")


def _draw_piece(axes: Any, photo: Photo, result: ArrayResult) -> None:
    """A piece of the array, one pitch from line to line."""
    lattice = result.lattice
    pitches = [None if p is None else p.value for p in (lattice.pitch_x, lattice.pitch_y)]
    box = _piece(photo, lattice.filled, lattice.block_px, (0, 0), pitches)
    piece = photo.crop(box)
    _show(axes, piece)
    for ends in _lines(piece, pitches, lattice.tilt_deg):
        axes.plot(ends[:, 0], ends[:, 1], color=MARK, linewidth=0.8)
    said = " and ".join(f"{p:.2f}" for p in pitches if p is not None)
    axes.set_xlabel(f"{box[2]} x {box[3]} px of it; lines one pitch apart, {said} px")


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


def _draw_outline(axes: Any, photo: Photo, result: ArrayResult) -> None:
    from matplotlib.patheffects import withStroke

    assert result.extent is not None
    _show(axes, photo)
    corners = np.vstack([result.extent.corners, result.extent.corners[:1]])
    axes.plot(corners[:, 0], corners[:, 1], color=MARK, linewidth=1.2,
              path_effects=[withStroke(linewidth=2.6, foreground=CASING)])  # fmt: skip
    count = ""
    if result.columns is not None and result.rows is not None:
        count = f": {result.columns.value:.0f} x {result.rows.value:.0f} pixels"
    axes.set_xlabel(f"{photo.path.name}: active array{count}")


# ---- for a page ----------------------------------------------------------------------------------


def figures(case: Case) -> tuple[Figure, ...]:
    """The outline over the photo in which it was found, and a piece under lines one pitch apart."""
    evidence = case.evidence
    made = []
    if "outline" in evidence:
        made.append(_outlined(case, evidence))
    if "pitch" in evidence:
        made.append(_enlarged(case, evidence))
    return tuple(made)


def _photo(case: Case, number: int) -> Photo:
    return (
        case.photo if number == 0 else read_photo(case.bench.shown_path(case.capture.files[number]))
    )


def _outlined(case: Case, evidence: Mapping[str, Any]) -> Figure:
    photo = _photo(case, int(evidence["outline_photo"]))
    corners = [f"{x:.1f} {y:.1f}" for x, y in evidence["outline"]]
    words = "Frame: the active array, as its edges were found"
    found = case.part.findings
    if "columns" in found:
        columns, rows = found["columns"].quantity, found["rows"].quantity
        words += f"; {columns.value:.0f} x {rows.value:.0f} pixels"
    return Figure(
        _overlay(case, photo, "outline", words, f"M{'L'.join(corners)}Z", 0.6), f"{words}."
    )


def _enlarged(case: Case, evidence: Mapping[str, Any]) -> Figure:
    photo = _photo(case, int(evidence["photo"]))
    pitches = [None if p is None else float(p["value"]) for p in evidence["pitch"]]
    filled = np.asarray(evidence["filled"])
    box = _piece(photo, filled, evidence["block"], evidence["at"], pitches)
    piece = photo.crop(box)
    path = ""
    for (x0, y0), (x1, y1) in _lines(piece, pitches, float(evidence["tilt_deg"])):
        path += f"M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}"
    said = " and ".join(short(p) for p in pitches if p is not None)
    words = f"A piece of {box[2]} x {box[3]} px: lines one pitch apart, {said} px"
    return Figure(_overlay(case, piece, "piece", words, path, 0.3), f"{words}.")


def _overlay(case: Case, photo: Photo, what: str, words: str, path: str, share: float) -> Any:
    return render("evidence_overlay.html", {
        "name": f"{case.name}-{what}", "alt": words, "width": photo.width, "height": photo.height,
        "source": case.embed(for_screen(photo), share), "letter": 1.0,
        "paths": (("thin" if what == "piece" else "", path),), "labels": [],
    })  # fmt: skip
