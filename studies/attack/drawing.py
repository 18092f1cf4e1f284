"""A canvas, a camera and a screen of this study's own, drawn finer than they are photographed."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import cv2
import matplotlib
import numpy as np
import PIL.Image
import PIL.ImageDraw
import PIL.ImageFont
from numpy.typing import NDArray

FINER = 4
"""Samples along an axis for each px of the photo."""

Image = NDArray[np.float32]


def canvas(width: int, height: int, light: float = 0.85) -> Image:
    """An even sheet, FINER samples a px, linear light of 0 to 1."""
    return np.full((height * FINER, width * FINER), light, np.float32)


def _painted(sheet: Image, low: NDArray[np.int64], high: NDArray[np.int64], light: float,
             draw: Callable[[NDArray[np.uint8], tuple[int, int]], object]) -> None:  # fmt: skip
    """Let `draw` fill a mask over the part of the sheet from `low` to `high`, and lay it on."""
    x0, y0 = np.maximum(low, 0).tolist()
    x1, y1 = np.minimum(high, [sheet.shape[1], sheet.shape[0]]).tolist()
    if x1 <= x0 or y1 <= y0:
        return
    mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
    draw(mask, (x0, y0))
    share = mask.astype(np.float32) / 255
    part = sheet[y0:y1, x0:x1]
    part += share * (light - part)


def line(sheet: Image, start: tuple[float, float], end: tuple[float, float], thick: float,
         light: float = 0.1) -> None:  # fmt: skip
    """A bar between two points, in px of the photo, square at its ends."""
    a, b = np.array(start, float), np.array(end, float)
    along = (b - a) / max(np.hypot(*(b - a)), 1e-9)
    across = np.array([-along[1], along[0]]) * thick / 2
    fill(sheet, np.array([a + across, b + across, b - across, a - across]), light)


def fill(sheet: Image, corners: NDArray[np.float64], light: float = 0.1) -> None:
    """A convex piece, its corners (n, 2) in px of the photo."""
    places = corners * FINER - 0.5
    low, high = np.floor(places.min(0)).astype(int) - 2, np.ceil(places.max(0)).astype(int) + 3

    def draw(mask: NDArray[np.uint8], first: tuple[int, int]) -> None:
        fixed = np.round((places - first) * 256).astype(np.int32)
        cv2.fillConvexPoly(mask, fixed, 255, cv2.LINE_AA, 8)

    _painted(sheet, low, high, light, draw)


def rectangle(sheet: Image, box: tuple[float, float, float, float], light: float) -> None:
    """A level rectangle (left, top, width, height, px of the photo), each sample lit by the part of it
    that is covered: `fill` grows a body by up to a quarter of a px at each side."""
    covered = []
    for first, long, count in zip(box[:2], box[2:], sheet.shape[::-1], strict=True):
        at = np.arange(count, dtype=np.float32)
        ends = np.minimum(at + 1, (first + long) * FINER) - np.maximum(at, first * FINER)
        covered.append(np.clip(ends, 0, 1))
    across, down = covered
    columns, rows = np.flatnonzero(across), np.flatnonzero(down)
    if columns.size and rows.size:
        part = sheet[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        share = down[rows[0] : rows[-1] + 1, None] * across[columns[0] : columns[-1] + 1]
        part += (share * (light - part)).astype(np.float32)


def disc(sheet: Image, middle: tuple[float, float], radius: float, light: float = 0.1,
         ring: float | None = None) -> None:  # fmt: skip
    """A disc, or a ring of a given thickness, in px of the photo."""
    centre = np.array(middle) * FINER - 0.5
    reach = (radius + (ring or 0)) * FINER + 3

    def draw(mask: NDArray[np.uint8], first: tuple[int, int]) -> None:
        place = np.round((centre - first) * 256).astype(int).tolist()
        thick = -1 if ring is None else max(1, round(ring * FINER))
        cv2.circle(mask, place, round(radius * FINER * 256), 255, thick, cv2.LINE_AA, 8)

    low, high = np.floor(centre - reach).astype(int), np.ceil(centre + reach).astype(int)
    _painted(sheet, low, high, light, draw)


def words(sheet: Image, text: str, at: tuple[float, float], size: float, light: float = 0.1,
          face: str = "DejaVuSans.ttf") -> None:  # fmt: skip
    """Text with letters of about `size` px, the left end of its foot at `at`."""
    font = _font(face, max(4, round(size * FINER)))
    left, top, right, foot = font.getbbox(text, anchor="ls")
    place = np.round(np.array(at) * FINER).astype(int)

    def draw(mask: NDArray[np.uint8], first: tuple[int, int]) -> None:
        picture = PIL.Image.new("L", (mask.shape[1], mask.shape[0]))
        where = (float(place[0] - first[0]), float(place[1] - first[1]))
        PIL.ImageDraw.Draw(picture).text(where, text, 255, font, anchor="ls")
        mask[...] = np.asarray(picture)

    low = place + np.array([int(left) - 2, int(top) - 2])
    high = place + np.array([int(right) + 2, int(foot) + 2])
    _painted(sheet, low, high, light, draw)


@cache
def _font(face: str, size: int) -> PIL.ImageFont.FreeTypeFont:
    """A face of the DejaVu family, which comes with matplotlib."""
    return PIL.ImageFont.truetype(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / face, size)


def turned(sheet: Image, degrees: float, bend: float = 0.0, fill: float = 0.85) -> Image:
    """The sheet turned about its middle, with `bend` (relative, at the corner) of distortion."""
    high, wide = sheet.shape
    y, x = np.mgrid[0:high, 0:wide].astype(np.float32)
    x, y = x - wide / 2, y - high / 2
    grow = 1 + bend * (x**2 + y**2) / (wide**2 / 4 + high**2 / 4)
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    back_x, back_y = (c * x + s * y) * grow + wide / 2, (c * y - s * x) * grow + high / 2
    return cv2.remap(sheet, back_x.astype(np.float32), back_y.astype(np.float32), cv2.INTER_LINEAR,
                     borderMode=cv2.BORDER_CONSTANT, borderValue=fill)  # fmt: skip


def exposed(
    sheet: Image, rng: np.random.Generator, *, blur: float = 0.6, noise: float = 0.01,
    gamma: float | None = None,
) -> NDArray[np.uint8]:  # fmt: skip
    """A photo of the sheet: blurred (px, standard deviation), summed over each px, noisy, stored.

    Stored values follow IEC 61966-2-1 (sRGB) unless `gamma` is given.
    """
    soft = cv2.GaussianBlur(sheet, (0, 0), max(blur, 0.05) * FINER)
    high, wide = sheet.shape[0] // FINER, sheet.shape[1] // FINER
    light = cv2.resize(soft, (wide, high), interpolation=cv2.INTER_AREA)
    return stored(light + rng.normal(0, noise, light.shape) * np.sqrt(light + 0.05), gamma)


def stored(light: NDArray[np.floating], gamma: float | None = None) -> NDArray[np.uint8]:
    """Linear light as 8 bit values."""
    light = np.clip(light, 0, 1)
    if gamma is not None:
        coded = light ** (1 / gamma)
    else:
        coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(255 * coded).astype(np.uint8)


def to_light(photo: NDArray[np.uint8]) -> Image:
    """Stored sRGB values as linear light."""
    coded = photo.astype(np.float32) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)  # type: ignore[no-any-return]


def saved(photo: NDArray[np.uint8], path: Path, quality: int | None = 90) -> Path:
    """Write a photo (grey, or BGR) as JPEG of a quality, or losslessly with None."""
    path = path.with_suffix(".png" if quality is None else ".jpg")
    cv2.imwrite(str(path), photo, [] if quality is None else [cv2.IMWRITE_JPEG_QUALITY, quality])
    return path


def some_quality(rng: np.random.Generator) -> int | None:
    return [None, 95, 88, 75][int(rng.integers(4))]


def screen(
    shown: Image, rng: np.random.Generator, pitch: float, layout: str = "stripes"
) -> Image:  # fmt: skip
    """What a camera sees of a screen of `pitch` px of the photo that shows a grey picture.

    Three upright stripes of colour fill a cell but for black gaps; in the layout "grille" without a
    gap across, in "level" they lie, in "diamond" green is at every cell, red and blue at every second.
    The camera's own lens and its colour mosaic are left to `exposed` and the caller. Returns a sheet
    of three channels.
    """
    high, wide = shown.shape
    step = pitch * FINER
    y, x = np.mgrid[0:high, 0:wide]
    turn = np.radians(rng.uniform(-3, 3))
    c, s = np.cos(turn), np.sin(turn)
    u, v = (c * x + s * y) / step, (c * y - s * x) / step
    cells = cv2.resize(shown, (max(2, round(wide / step)), max(2, round(high / step))),
                       interpolation=cv2.INTER_AREA)  # fmt: skip
    cell_x = np.clip(u.astype(int), 0, cells.shape[1] - 1)
    cell_y = np.clip(v.astype(int), 0, cells.shape[0] - 1)
    if layout == "level":
        u, v = v, u
    lit, third = cells[cell_y, cell_x], (u % 1) * 3
    if layout == "diamond":
        return _diamonds(lit, u, v)
    open_ = ((third % 1) > 0.12) & ((third % 1) < 0.88) & ((v % 1) > 0.06) & ((v % 1) < 0.94)
    if layout == "grille":
        open_ = ((third % 1) > 0.12) & ((third % 1) < 0.88)
    out = np.zeros((high, wide, 3), np.float32)
    for colour in range(3):
        out[..., colour] = 0.02 + 0.95 * lit * open_ * (third.astype(int) == colour)
    return out


def _diamonds(lit: Image, u: Image, v: Image) -> Image:
    """Green dots at every cell's corner, red and blue ones in turn at the middles."""
    out = np.full((*lit.shape, 3), 0.02, np.float32)
    green = ((u + 0.5) % 1 - 0.5) ** 2 + ((v + 0.5) % 1 - 0.5) ** 2 < 0.06
    other = (u % 1 - 0.5) ** 2 + (v % 1 - 0.5) ** 2 < 0.09
    even = (np.floor(u) + np.floor(v)) % 2 == 0
    for channel, where in ((1, green), (0, other & even), (2, other & ~even)):
        out[..., channel] += 0.95 * lit * where
    return out


def photographed_in_colour(
    sheet: Image, rng: np.random.Generator, *, blur: float = 0.6, noise: float = 0.01
) -> NDArray[np.uint8]:
    """A colour sheet through a lens and a two by two colour mosaic, made whole again. BGR."""
    high, wide = sheet.shape[0] // FINER, sheet.shape[1] // FINER
    soft = cv2.GaussianBlur(sheet, (0, 0), max(blur, 0.05) * FINER)
    light = cv2.resize(soft, (wide, high), interpolation=cv2.INTER_AREA)
    raw = light[..., 1].copy()
    raw[0::2, 0::2] = light[0::2, 0::2, 2]
    raw[1::2, 1::2] = light[1::2, 1::2, 0]
    raw += rng.normal(0, noise, raw.shape) * np.sqrt(np.clip(raw, 0, 1) + 0.05)
    whole = cv2.cvtColor((np.clip(raw, 0, 1) * 65535).astype(np.uint16), cv2.COLOR_BayerRGGB2RGB)
    return stored(whole[..., ::-1].astype(np.float32) / 65535)
