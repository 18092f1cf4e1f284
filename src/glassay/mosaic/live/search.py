"""Where on the map a frame might lie: correlation over all shifts at once, and its highest peaks."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from scipy import fft

from glassay.mosaic.live.chart import Chart
from glassay.mosaic.live.movement import FAINT
from glassay.mosaic.live.picture import Floats, Place, View

MOST_SEARCHED_PX = 900_000
"""Px of the map that are searched at once; larger reaches are searched at half the size, or a
quarter. One search takes about 50 ms."""
LEAST_OVERLAP = 0.12
"""Share of the frame that must lie on the map."""
CANDIDATES = 8
"""Peaks tried by height, and as many by height with the overlap counted."""
APART_PX = 3


def candidates(view: View, chart: Chart, middle: Place, reach: tuple[float, float]) -> list[Place]:
    """Places within `reach` (x, y) px of `middle` at which the frame resembles the map."""
    height, width = view.detail.shape
    wide, high = 2 * int(reach[0]) + width, 2 * int(reach[1]) + height
    piece = chart.piece(
        round(middle.x - (wide - 1) / 2), round(middle.y - (high - 1) / 2), wide, high
    )
    level = 1
    while wide * high > MOST_SEARCHED_PX * level * level:
        level *= 2
    frame, sheet = view.detail, piece.detail
    known = piece.known.astype(np.float32)
    if level > 1:
        frame = _reduced(frame, (max(4, width // level), max(4, height // level)))
        size = (max(8, wide // level), max(8, high // level))
        sheet, known = _reduced(sheet, size), _reduced(known, size)
    found = _peaks(*_correlation(frame, sheet, known), APART_PX)
    fx, fy = wide / sheet.shape[1], high / sheet.shape[0]
    return [
        Place(
            piece.left + (x + frame.shape[1] / 2) * fx - 0.5,
            piece.top + (y + frame.shape[0] / 2) * fy - 0.5,
            middle.turn,
        )
        for x, y in found
    ]


def _reduced(picture: Floats, size: tuple[int, int]) -> Floats:
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)


def _correlation(frame: Floats, sheet: Floats, known: Floats) -> tuple[Floats, Floats]:
    """Correlation of the frame with the sheet at each place of its first px, over what is known
    (Padfield 2012, for detail of mean zero), and the share of the frame that is."""
    height, width = frame.shape
    shape = [fft.next_fast_len(n, real=True) for n in sheet.shape]
    inside = (slice(0, sheet.shape[0] - height + 1), slice(0, sheet.shape[1] - width + 1))

    def around(a: Any, b: Any) -> Floats:
        return np.asarray(fft.irfft2(np.conj(a) * b, shape)[inside], np.float32)

    sums = around(fft.rfft2(frame, shape), fft.rfft2(sheet, shape))
    own = around(fft.rfft2(frame * frame, shape), fft.rfft2(known, shape))
    other, counted = (
        cv2.boxFilter(one, -1, (width, height), anchor=(0, 0), normalize=False,
                      borderType=cv2.BORDER_CONSTANT)[inside]
        for one in (sheet * sheet, known)
    )  # fmt: skip
    share = counted / frame.size
    least = 0.02 * frame.size * np.maximum(share, 0.01)  # a plain overlap says nothing
    norm = np.sqrt(np.maximum(own, least) * np.maximum(other, least))
    return np.asarray(np.where(share >= LEAST_OVERLAP, sums / norm, -1.0), np.float32), np.asarray(
        share, np.float32
    )


def _peaks(found: Floats, share: Floats, apart: int) -> list[tuple[float, float]]:
    around = np.ones((2 * apart + 1, 2 * apart + 1), np.uint8)
    top = (found >= cv2.dilate(found, around)) & (found > FAINT)
    rows, columns = np.nonzero(top)
    heights = found[rows, columns]
    counted = heights * np.sqrt(share[rows, columns])
    chosen: list[int] = []
    for rank in (np.argsort(-counted), np.argsort(-heights)):
        chosen += [int(n) for n in rank[:CANDIDATES]]
    return [(float(columns[n]), float(rows[n])) for n in dict.fromkeys(chosen)]
