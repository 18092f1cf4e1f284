"""Ruled scales and grids drawn with Pillow and with matplotlib, which know nothing of the simulator."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence

import cv2
import matplotlib
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

matplotlib.use("Agg")

Picture = npt.NDArray[np.float32]
SUPERSAMPLING = 4


def pillow_scale(
    period: float = 40.0,
    tilt_deg: float = 0.0,
    *,
    size: tuple[int, int] = (900, 600),
    lines: Sequence[int] = range(-60, 61),
    shift: float = 0.3,
    line_width: float = 0.2,
    lengths: tuple[float, float, float] = (3.0, 4.5, 6.0),
    ink: float = 0.15,
    glass: float = 0.8,
    base_line: bool = False,
    whole_field: bool = False,
    edges_only: bool = False,
    centred: bool = False,
    middle: tuple[float, float] = (0.0, 0.0),
) -> Picture:
    """Linear light, (height, width). `lengths` in divisions of ordinary, 5th and 10th lines.

    Lines and base line share a foot, or the middle when `centred`.
    """
    width, height = size
    canvas = Image.new("L", (width * SUPERSAMPLING, height * SUPERSAMPLING), 0)
    draw = ImageDraw.Draw(canvas)
    turn = math.radians(tilt_deg)  # clockwise as seen, as y points down
    along, across = (math.cos(turn), math.sin(turn)), (-math.sin(turn), math.cos(turn))
    x0, y0 = (width - 1) / 2 + middle[0], (height - 1) / 2 + middle[1]

    def bar(s0: float, s1: float, t0: float, t1: float) -> None:
        corners = [
            (
                (x0 + s * along[0] + t * across[0] + 0.5) * SUPERSAMPLING,
                (y0 + s * along[1] + t * across[1] + 0.5) * SUPERSAMPLING,
            )
            for s, t in ((s0, t0), (s1, t0), (s1, t1), (s0, t1))
        ]
        draw.polygon(corners, fill=255)

    foot = lengths[0] * period / 2
    for n in lines:
        rank = 2 if n % 10 == 0 else 1 if n % 5 == 0 else 0
        s, half = (n + shift) * period, line_width * period / 2
        top = -5 * (width + height) if whole_field else foot - lengths[rank] * period
        bottom = 5 * (width + height) if whole_field else foot
        if centred:
            top, bottom = -lengths[rank] * period / 2, lengths[rank] * period / 2
        if edges_only:
            rim = half * 0.35
            bar(s - half, s - half + rim, top, bottom)
            bar(s + half - rim, s + half, top, bottom)
        else:
            bar(s - half, s + half, top, bottom)
    if base_line:
        ends = (min(lines) + shift) * period, (max(lines) + shift) * period
        base = 0.0 if centred else foot
        bar(ends[0], ends[1], base - line_width * period / 2, base + line_width * period / 2)
    cover = np.asarray(canvas, dtype=np.float32) / 255
    cover = cover.reshape(height, SUPERSAMPLING, width, SUPERSAMPLING).mean(axis=(1, 3))
    return np.asarray(glass + (ink - glass) * cover, dtype=np.float32)


def matplotlib_scale(period: float = 30.0, size: tuple[int, int] = (900, 600)) -> Picture:
    """A level scale with numerals, drawn by matplotlib's Agg renderer with antialiasing."""
    from matplotlib.figure import Figure

    width, height = size
    figure = Figure(figsize=(width / 100, height / 100), dpi=100)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set_xlim(-0.5, width - 0.5)
    axes.set_ylim(height - 0.5, -0.5)
    for n in range(1, int(width / period)):
        length = 160 if n % 10 == 0 else 120 if n % 5 == 0 else 80
        x = n * period + 4.37
        axes.plot([x, x], [350 - length, 350], color="black", linewidth=3, snap=False)
        if n % 10 == 0:
            axes.text(x, 350 - length - 20, str(n // 10), fontsize=28, ha="center", va="bottom")
    figure.canvas.draw()  # type: ignore[attr-defined]
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", facecolor="0.85")
    buffer.seek(0)
    return np.asarray(Image.open(buffer).convert("L"), dtype=np.float32) / 255


def photographed(
    picture: Picture, *, blur: float = 1.0, noise: float = 0.01, seed: int = 0
) -> Picture:
    """Blurred by a Gaussian, with photon-like noise."""
    rng = np.random.default_rng(seed)
    soft = cv2.GaussianBlur(picture, (0, 0), blur) if blur else picture
    grain = rng.standard_normal(soft.shape) * noise * np.sqrt(np.maximum(soft, 0.02))
    return np.clip(soft + grain, 0, 1).astype(np.float32)


def on_screen(
    picture: Picture, raster_px: float, contrast: float, tilt_deg: float = 1.0
) -> Picture:
    """As a photo of a screen shows it: under the raster of the screen's own pixels."""
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    c, s = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
    columns = 0.5 + 0.5 * np.sin(2 * np.pi * (x * c + y * s) / raster_px)
    rows = 0.5 + 0.5 * np.sin(2 * np.pi * (y * c - x * s) / raster_px)
    return np.asarray(picture * (1 - contrast * columns) * (1 - 0.4 * contrast * rows), np.float32)


def compressed(picture: Picture, quality: int) -> Picture:
    """Through a JPEG of the given quality, kept on the linear scale for simplicity."""
    buffer = io.BytesIO()
    Image.fromarray((picture * 255 + 0.5).astype(np.uint8)).save(buffer, "JPEG", quality=quality)
    return np.asarray(Image.open(buffer), dtype=np.float32) / 255


def with_dust(picture: Picture, specks: int, seed: int = 3) -> Picture:
    """Dark specks of 1 to 8 px radius."""
    rng = np.random.default_rng(seed)
    out = picture.copy()
    for _ in range(specks):
        at = (int(rng.integers(out.shape[1])), int(rng.integers(out.shape[0])))
        cv2.circle(out, at, int(rng.integers(1, 9)), 0.1, -1)
    return out


def with_glare(picture: Picture) -> Picture:
    """A bright spot over the middle, and light that falls off to one side."""
    height, width = picture.shape
    y, x = np.mgrid[0:height, 0:width]
    spot = 0.5 * np.exp(-((x - 0.55 * width) ** 2 + (y - 0.5 * height) ** 2) / (0.1 * width) ** 2)
    return np.clip(picture * (1.2 - 0.8 * x / width) + spot, 0, 1).astype(np.float32)


def in_round_field(picture: Picture, diameter: float) -> Picture:
    """Black outside a circle about the middle."""
    height, width = picture.shape
    y, x = np.mgrid[0:height, 0:width]
    r = np.hypot(x - (width - 1) / 2, y - (height - 1) / 2)
    light = np.clip(diameter / 2 - r + 0.5, 0, 1)
    return (picture * light + 0.003).astype(np.float32)
