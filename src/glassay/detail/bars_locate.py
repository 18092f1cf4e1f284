"""Finding an element whose bars cannot be told apart: its two blurred blocks, near where they must
be."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from glassay.detail.bars_fit import Site
from glassay.imaging.tone import FloatImage

REACH_WIDTHS = 2.6
"""How far from the expected place an element is sought, in bar widths; the next block begins at
about 4 widths from the middle of this one."""

MARGIN_WIDTHS = 3.3
"""Half side of what is compared, in bar widths: the block (2.5) and some ground around it."""

SAMPLES_A_WIDTH = 4.0
"""Resolution at which it is compared."""

BLUR_WIDTHS = 0.45
"""Blur of the pattern compared, in bar widths: like bars that just merge."""

SURE = 0.6
"""Least correlation, averaged over both blocks, at which the place counts as found."""


def shifted(site: Site, shift: tuple[float, float]) -> Site:
    """The site moved by (dx, dy) px."""
    return replace(site, x=site.x + shift[0], y=site.y + shift[1])


def locate_element(
    image: FloatImage, upright: Site, level: Site, guess: tuple[float, float], bright: bool
) -> tuple[tuple[float, float], bool]:
    """How far (dx, dy in px) the two blocks together lie from their sites, and whether that is sure.

    Both blocks move by the same shift, sought around `guess`, which is returned when the blocks
    cannot be seen or lie outside the picture.
    """
    scores = [
        _scores(image, shifted(site, guess), upright.across, level.across, bright, turned)
        for site, turned in ((upright, False), (level, True))
    ]
    if scores[0] is None or scores[1] is None:
        return guess, False
    total = (scores[0] + scores[1]) / 2
    row, column = np.unravel_index(int(total.argmax()), total.shape)
    step = (upright.period + level.period) / 4 / SAMPLES_A_WIDTH
    right = (int(column) - total.shape[1] // 2) * step
    down = (int(row) - total.shape[0] // 2) * step
    if float(total.max()) < SURE:
        return guess, False
    (rx, ry), (dx, dy) = upright.across, level.across
    return (guess[0] + right * rx + down * dx, guess[1] + right * ry + down * dy), True


def _scores(
    image: FloatImage, site: Site, right: tuple[float, float], down: tuple[float, float],
    bright: bool, turned: bool,
) -> npt.NDArray[np.float32] | None:  # fmt: skip
    """Correlation of the block with its surroundings, by shift along the target's axes."""
    width = site.period / 2
    step = width / SAMPLES_A_WIDTH
    half = round((REACH_WIDTHS + MARGIN_WIDTHS) * SAMPLES_A_WIDTH)
    corners = [
        (site.x + u * half * step * right[0] + v * half * step * down[0],
         site.y + u * half * step * right[1] + v * half * step * down[1])
        for u in (-1, 1) for v in (-1, 1)
    ]  # fmt: skip
    height_px, width_px = image.shape
    if not all(0 <= x <= width_px - 1 and 0 <= y <= height_px - 1 for x, y in corners):
        return None
    to_image = np.array(
        [
            [step * right[0], step * down[0], site.x - half * step * (right[0] + down[0])],
            [step * right[1], step * down[1], site.y - half * step * (right[1] + down[1])],
        ]
    )
    size = (2 * half + 1, 2 * half + 1)
    patch = cv2.warpAffine(
        image, to_image, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    pattern = _pattern(bright)
    found = cv2.matchTemplate(patch, pattern.T.copy() if turned else pattern, cv2.TM_CCOEFF_NORMED)
    return np.nan_to_num(np.asarray(found, dtype=np.float32))


def _pattern(bright: bool) -> npt.NDArray[np.float32]:
    half = round(MARGIN_WIDTHS * SAMPLES_A_WIDTH)
    place = np.arange(-half, half + 1) / SAMPLES_A_WIDTH
    spread = math.sqrt(2) * BLUR_WIDTHS

    def box(low: float, high: float) -> npt.NDArray[np.float64]:
        rise = np.array([math.erf((p - low) / spread) for p in place])
        fall = np.array([math.erf((p - high) / spread) for p in place])
        return np.asarray((rise - fall) / 2)

    bars = box(-2.5, -1.5) + box(-0.5, 0.5) + box(1.5, 2.5)
    pattern = box(-2.5, 2.5)[:, None] * bars[None]
    return (pattern if bright else -pattern).astype(np.float32)
