"""Reading the numerals of a bar target by comparing them with rendered ones, blur included."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image as PillowImage
from PIL import ImageDraw, ImageFont

from glassay.imaging.tone import FloatImage

Float = npt.NDArray[np.float64]

FONT_FILES = (
    "DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSansMono.ttf", "STIXGeneral.ttf", "cmss10.ttf",
)  # fmt: skip
"""Fonts of the templates, as the plotting library brings them along. Targets differ in lettering;
what tells the ten numerals apart is common to all."""

STROKES: dict[int, tuple[tuple[tuple[float, float], ...], ...]] = {
    0: (((0.5, 0), (0.85, 0.1), (1, 0.5), (0.85, 0.9), (0.5, 1), (0.15, 0.9), (0, 0.5),
         (0.15, 0.1), (0.5, 0)),),
    1: (((0.2, 0.2), (0.55, 0), (0.55, 1)),),
    2: (((0, 0.2), (0.2, 0), (0.8, 0), (1, 0.25), (0.9, 0.5), (0, 1), (1, 1)),),
    3: (((0, 0.15), (0.25, 0), (0.8, 0), (1, 0.25), (0.8, 0.48), (0.4, 0.48)),
        ((0.8, 0.48), (1, 0.75), (0.8, 1), (0.25, 1), (0, 0.85))),
    4: (((0.15, 0), (0, 0.6), (1, 0.6)), ((0.75, 0), (0.75, 1))),
    5: (((0.95, 0), (0.1, 0), (0.1, 0.42), (0.75, 0.42), (1, 0.7), (0.75, 1), (0.2, 1), (0, 0.85)),),
    6: (((0.9, 0.08), (0.6, 0), (0.15, 0.1), (0, 0.5), (0, 0.75), (0.2, 1), (0.8, 1), (1, 0.72),
         (0.8, 0.45), (0.2, 0.45), (0, 0.7)),),
    7: (((0, 0), (1, 0), (0.35, 1)),),
    8: (((0.5, 0), (0.9, 0.1), (0.9, 0.38), (0.5, 0.48), (0.1, 0.38), (0.1, 0.1), (0.5, 0)),
        ((0.5, 0.48), (1, 0.62), (1, 0.9), (0.5, 1), (0, 0.9), (0, 0.62), (0.5, 0.48))),
    9: (((0.1, 0.92), (0.4, 1), (0.85, 0.9), (1, 0.5), (1, 0.25), (0.8, 0), (0.2, 0), (0, 0.28),
         (0.2, 0.55), (0.8, 0.55), (1, 0.3)),),
}  # fmt: skip
"""Numerals as an engraver's strokes, with the open 4 that no printer's font has, in a unit square."""

STROKE_WEIGHTS = (0.13, 0.2, 0.27)
"""Thickness of those strokes over the height of the numeral: light, usual and bold."""

STROKE_ASPECT = 0.68
"""Width of those numerals over their height."""

TEMPLATES = len(FONT_FILES) + len(STROKE_WEIGHTS)

DRAWN_PX, COMPARED = 96, (24, 36)
"""Height at which templates are drawn, and width and height at which shapes are compared."""

NUMERAL_WIDTHS = (1.2, 5.2)
"""Height of a numeral in bar widths of the element beside it (2.4 to 4.7 on usual targets, common
practice, no source)."""

LEGIBLE_PX = 4.0
"""Least height of a numeral, in px of the photo, that is read at all."""


@dataclass(frozen=True)
class Region:
    """A rectangle of the target in which a numeral is sought: px of the photo.

    `corner` is its upper left as the numeral is read; `right` and `down` are the vectors of one unit
    of its sizes, about 1 px long, and longer along one axis where pixels are oblong; `width` and
    `height` are its size, `heights` the least and largest height of the numeral.
    """

    corner: tuple[float, float]
    right: tuple[float, float]
    down: tuple[float, float]
    width: float
    height: float
    heights: tuple[float, float]


@dataclass(frozen=True)
class Reading:
    """How well a numeral found resembles each of 0 to 9: correlation, (10,)."""

    likeness: Float

    @property
    def best(self) -> int:
        """The numeral that it resembles most."""
        return int(self.likeness.argmax())


def read_numeral(
    image: FloatImage, region: Region, ground: float, ink: float, blur_px: float
) -> list[Reading]:
    """Everything in the region that has the size of a numeral, compared with all ten.

    `ground` and `ink` are the light between and on the bars nearby, `blur_px` the standard deviation
    of the blur. Empty when there is nothing of that size, or it is too small to be read.
    """
    tallest = region.heights[1]
    if tallest < LEGIBLE_PX or ink == ground:
        return []
    zoom = float(np.clip(40 / tallest, 0.05, 12.0))
    patch = _straight_patch(image, region, zoom)
    shade = np.clip((patch - ground) / (ink - ground), -0.2, 1.2)
    return [
        _compare(shade[y : y + h, x : x + w], h / zoom, blur_px)
        for x, y, w, h in _blobs(shade, (region.heights[0] * zoom, tallest * zoom))
        if _within(image, region, (x / zoom, y / zoom), ((x + w) / zoom, (y + h) / zoom))
    ]


def _within(
    image: FloatImage, region: Region, low: tuple[float, float], high: tuple[float, float]
) -> bool:
    """Whether a box of the region lies within the photo, with a px to spare."""
    (x, y), (rx, ry), (dx, dy) = region.corner, region.right, region.down
    corners = [(x + u * rx + v * dx, y + u * ry + v * dy) for u in (low[0], high[0])
               for v in (low[1], high[1])]  # fmt: skip
    return all(
        1 <= px <= image.shape[1] - 2 and 1 <= py <= image.shape[0] - 2 for px, py in corners
    )


def _straight_patch(image: FloatImage, region: Region, zoom: float) -> FloatImage:
    (rx, ry), (dx, dy) = region.right, region.down
    size = max(4, round(region.width * zoom)), max(4, round(region.height * zoom))
    to_image = np.array(
        [[rx / zoom, dx / zoom, region.corner[0]], [ry / zoom, dy / zoom, region.corner[1]]]
    )
    source: npt.NDArray[Any] = image
    if zoom < 0.7:
        source = cv2.GaussianBlur(image, (0, 0), 0.45 / zoom)
    kind = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    patch = cv2.warpAffine(source, to_image, size, flags=kind, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(patch, dtype=np.float32)


def _blobs(
    shade: npt.NDArray[np.float32], heights: tuple[float, float]
) -> list[tuple[int, int, int, int]]:
    """Boxes of areas of a numeral's size, clear of the border.

    Thin strokes need a low threshold, and blurred numerals near bars a high one: the lowest at which
    an area stands alone counts.
    """
    found: list[tuple[int, int, int, int]] = []
    for level in (0.25, 0.35, 0.5, 0.65):
        mask = (shade > level).astype(np.uint8)
        count, _, stats, _ = cv2.connectedComponentsWithStats(mask)
        for x, y, w, h, area in stats[1:count]:
            inside = x > 0 and y > 0 and x + w < shade.shape[1] and y + h < shade.shape[0]
            sized = heights[0] <= h <= heights[1] and 0.25 <= w / h <= 1.25
            if inside and sized and area > 0.15 * w * h:
                box = (int(x), int(y), int(w), int(h))
                if not any(_overlap(box, other) for other in found):
                    found.append(box)
    return found


def _overlap(a: Sequence[int], b: Sequence[int]) -> bool:
    return (
        min(a[0] + a[2], b[0] + b[2]) > max(a[0], b[0])
        and min(a[1] + a[3], b[1] + b[3]) > max(a[1], b[1])
    )  # fmt: skip


def _compare(shade: npt.NDArray[np.float32], height_px: float, blur_px: float) -> Reading:
    seen = _normalised(cv2.resize(shade, COMPARED, interpolation=cv2.INTER_AREA))
    aspect = shade.shape[1] / shade.shape[0]
    # In eighths of an octave: neighbouring blurs look alike, and templates are kept for reuse.
    relative = blur_px / height_px
    step = round(8 * math.log2(max(relative, 0.01)))
    likeness = np.full(10, -1.0)
    for digit in range(10):
        for font in range(TEMPLATES):
            template, own_aspect = _template(digit, font, step)
            score = float((seen * template).mean()) - 0.5 * abs(math.log(aspect / own_aspect))
            likeness[digit] = max(likeness[digit], score)
    return Reading(likeness)


def _normalised(picture: npt.NDArray[Any]) -> Float:
    values = picture.astype(np.float64)
    values -= values.mean()
    return np.asarray(values / max(float(values.std()), 1e-9))


@lru_cache(maxsize=2048)
def _template(digit: int, font: int, blur_step: int) -> tuple[Float, float]:
    """A blurred numeral cut at half its brightness, at the size of comparison, and its aspect."""
    margin = DRAWN_PX
    drawn = _drawn(digit, font)
    canvas = np.pad(drawn, margin)
    sigma = 2 ** (blur_step / 8) * DRAWN_PX
    soft = cv2.GaussianBlur(canvas, (0, 0), min(sigma, 0.4 * DRAWN_PX))
    rows = np.flatnonzero((soft > 0.5 * soft.max()).any(axis=1))
    columns = np.flatnonzero((soft > 0.5 * soft.max()).any(axis=0))
    cut = soft[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    shape = _normalised(cv2.resize(cut, COMPARED, interpolation=cv2.INTER_AREA))
    return shape, cut.shape[1] / cut.shape[0]


@lru_cache(maxsize=128)
def _drawn(digit: int, font: int) -> npt.NDArray[np.float32]:
    if font >= len(FONT_FILES):
        canvas = _stroked(digit, STROKE_WEIGHTS[font - len(FONT_FILES)])
    else:
        import matplotlib

        path = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / FONT_FILES[font]
        face = ImageFont.truetype(str(path), 120)
        picture = PillowImage.new("L", (200, 200), 0)
        ImageDraw.Draw(picture).text((50, 20), str(digit), font=face, fill=255)
        canvas = np.asarray(picture)
    rows, columns = np.flatnonzero(canvas.any(axis=1)), np.flatnonzero(canvas.any(axis=0))
    tight = canvas[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1].astype(np.float32) / 255
    size = max(1, round(tight.shape[1] * DRAWN_PX / tight.shape[0])), DRAWN_PX
    return np.asarray(cv2.resize(tight, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _stroked(digit: int, weight: float) -> npt.NDArray[np.uint8]:
    height, pad = 200, 80
    thick = max(1, round(weight * height))
    inner = np.array([STROKE_ASPECT * height - thick, height - thick])
    canvas = np.zeros((height + 2 * pad, height + 2 * pad), np.uint8)
    for line in STROKES[digit]:
        points = np.rint(np.array(line) * inner + pad).astype(np.int32)
        cv2.polylines(canvas, [points.reshape(-1, 1, 2)], False, 255, thick, cv2.LINE_AA)
    return canvas
