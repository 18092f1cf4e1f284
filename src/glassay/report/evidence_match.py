"""The evidence behind a match: the shared region on both photos, both laid over each other, and
what the mapping leaves."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from glassay.bench.saying.words import short
from glassay.imaging import Photo
from glassay.match import MatchResult
from glassay.match.mapping import Points
from glassay.report.drawing import Overlay
from glassay.report.evidence import overlay_in_file, pixels_in_file
from glassay.report.figure_file import check_figure_name, write_panels
from glassay.report.pictures import for_screen
from glassay.report.strokes import displacement_arrows, outline_path

CHECKS = 6
"""Fields of the chequered overlay along its longer side."""
OVERLAY_PX = 900


def draw_match(first: Photo, second: Photo, result: MatchResult, path: Path) -> None:
    """Draw the overlap on both photos, a chequered overlay, and the residuals, into a file.

    The path's suffix decides the format (see `FIGURE_SUFFIXES`). Raises `Unusable` for another
    suffix, or when the file cannot be written.
    """
    check_figure_name(path)
    panels = [
        *(
            overlay_in_file(photo, f"{photo.path.name}: shared region", [("", outline_path(ring))])
            for photo, ring in ((first, result.overlap_first), (second, result.overlap_second))
        ),
        _both(first, second, result),
        _residuals(result),
    ]
    title = (
        f"scale ratio {result.scale_ratio.value:.6g}, rotation {result.rotation.value:z.3f} deg,"
        f" residual {result.residual.value:.2f} px of the finer photo"
    )
    write_panels(panels, path, title)


def _both(first: Photo, second: Photo, result: MatchResult) -> Overlay:
    """Both photos in the first one's frame, in alternating squares, over the shared region."""
    low, high = result.overlap_first.min(axis=0), result.overlap_first.max(axis=0)
    step = float((high - low).max()) / OVERLAY_PX
    width, height = (max(2, int(side / step)) for side in high - low)
    rows, columns = np.mgrid[:height, :width]
    here = low + step * np.stack([columns.ravel(), rows.ravel()], axis=1)
    pictures = [
        _sampled(first, here, (height, width)),
        _sampled(second, result.mapping(here), (height, width)),
    ]
    side = max(width, height) / CHECKS
    squares = (np.floor(rows / side) + np.floor(columns / side)) % 2 == 1
    shown = np.where(squares, pictures[1], pictures[0]).astype(np.uint8)
    return pixels_in_file(shown, "both, in alternating squares, in the frame of the first")


def _sampled(photo: Photo, points: Points, shape: tuple[int, int]) -> npt.NDArray[np.float32]:
    screen = for_screen(photo, None)
    grey = screen if screen.ndim == 2 else screen.mean(axis=2)
    at = points.astype(np.float32).reshape(*shape, 2)
    value = cv2.remap(grey.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    low, high = np.quantile(value, (0.005, 0.995))  # lights differ: both are stretched alike
    return np.asarray(np.clip(255 * (value - low) / max(high - low, 1e-6), 0, 255), np.float32)


ARROW_SHARE = 0.12
"""Length of the longest arrow drawn, as a share of the shared region's width."""


def _residuals(result: MatchResult) -> Overlay:
    """What the mapping leaves in each block, as arrows over plain ground."""
    places, rests = result.places, result.rests
    length = np.hypot(*rests.T)
    typical = float(np.median(length)) or 1e-3
    shown = length <= max(4 * typical, 1e-9)  # outliers carry no weight
    (left, top), (right, low) = places.min(axis=0), places.max(axis=0)
    margin = ARROW_SHARE * max(right - left, low - top)
    width, height = float(right - left + 2 * margin), float(low - top + 2 * margin)
    enlarged = float(f"{margin / max(float(length[shown].max(initial=0.0)), 1e-9):.2g}")
    path = displacement_arrows(places[shown], rests[shown], enlarged)
    words = (
        f"what the mapping leaves in each block, {short(enlarged)} times enlarged; the middle arrow"
        f" by length stands for {typical:.2g} px of the finer photo"
    )
    box = (float(left - margin), float(top - margin), width, height)
    return Overlay("residuals", words, "", box, (("thin", path),))
