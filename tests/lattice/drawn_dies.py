"""Sensor dies drawn point by point with numpy, so that lattices are tested on pictures of known
pitch that the project's own simulator had no hand in."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from glassay.imaging.tone import linear_to_srgb

Picture = npt.NDArray[np.float32]

RED, GREEN, BLUE = (0.45, 0.10, 0.08), (0.12, 0.40, 0.10), (0.08, 0.12, 0.45)
WALL, BORDER = (0.06, 0.06, 0.06), (0.02, 0.02, 0.03)
SUPERSAMPLING = 4


def drawn_die(
    pitch_px: float | tuple[float, float],
    *,
    size: tuple[int, int] = (640, 480),
    tilt_deg: float = 0.0,
    pixels: tuple[int, int] = (100_000, 100_000),
    coloured: bool = True,
    window: float = 0.7,
    blur_px: float = 0.7,
    noise: float = 0.004,
    seed: int = 0,
) -> Picture:
    """Linear light (height, width, 3): `pixels` columns and rows about the picture's middle.

    Each cell has a square window of that share of its side, under a red-green / green-blue mosaic or
    all alike; dark borders surround the array.
    """
    pitch_x, pitch_y = pitch_px if isinstance(pitch_px, tuple) else (pitch_px, pitch_px)
    width, height = size
    fine = np.arange(0, 1, 1 / SUPERSAMPLING) + 0.5 / SUPERSAMPLING - 0.5
    x = (np.arange(width)[:, None] + fine).ravel() - (width - 1) / 2
    y = (np.arange(height)[:, None] + fine).ravel() - (height - 1) / 2
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    u = (x[None, :] * c + y[:, None] * s) / pitch_x + pixels[0] / 2
    v = (y[:, None] * c - x[None, :] * s) / pitch_y + pixels[1] / 2
    column, row = np.floor(u), np.floor(v)
    inside = (column >= 0) & (column < pixels[0]) & (row >= 0) & (row < pixels[1])
    is_open = (abs(u - column - 0.5) < window / 2) & (abs(v - row - 0.5) < window / 2)
    kind = (row % 2 + column % 2).astype(np.uint8) if coloured else np.ones(row.shape, np.uint8)
    shown = np.where(inside, np.where(is_open, kind, 3), 4)
    # how much of each px shows what
    shape = (height, SUPERSAMPLING, width, SUPERSAMPLING)
    shares = [(shown == what).reshape(shape).mean(axis=(1, 3)) for what in range(5)]
    colours = np.array([RED, GREEN, BLUE, WALL, BORDER])
    light = (np.stack(shares, axis=2) @ colours).astype(np.float32)
    if blur_px:
        light = cv2.GaussianBlur(light, (0, 0), blur_px)
    rng = np.random.default_rng(seed)
    light = light + rng.normal(0, noise, light.shape).astype(np.float32)
    return np.asarray(np.clip(light, 0, 1), np.float32)


def sampled_die(
    pitch_px: float, *, size: tuple[int, int] = (360, 300), tilt_deg: float = 0.0,
    sides: bool = True, window: float = 0.6, wall: float = 0.1, open_: float = 0.6,
    border: float = 0.45, lens_px: float = 0.3, noise: float = 0.002, seed: int = 0,
) -> Picture:  # fmt: skip
    """Linear light (height, width) of grey pixels of any pitch, exactly as square px of full size see
    them through a Gaussian lens: the Fourier series of windows in walls, each wave weakened by both.

    With `sides` the array fills 0.8 of the picture each way, in an even border.
    """
    width, height = size
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    x, y = x - width / 2 + 0.37, y - height / 2 + 0.21
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    u, v = x * c + y * s, y * c - x * s
    array = np.full(x.shape, wall)
    for k in range(-4, 5):
        for m in range(-4, 5):
            fx, fy = (k * c - m * s) / pitch_px, (k * s + m * c) / pitch_px
            left = np.exp(-2 * (np.pi * lens_px) ** 2 * (fx**2 + fy**2)) * np.sinc(fx) * np.sinc(fy)
            cell = window**2 * np.sinc(k * window) * np.sinc(m * window)
            if abs(cell * left) > 1e-5:
                array += (
                    (open_ - wall) * cell * left * np.cos(2 * np.pi * (k * u + m * v) / pitch_px)
                )
    if sides:
        across, down = (2 * round(0.4 * one / pitch_px) * pitch_px for one in size)
        blur = np.hypot(lens_px, 12**-0.5)  # a Gaussian as wide as lens and px together
        within = norm.cdf((across / 2 - abs(u)) / blur) * norm.cdf((down / 2 - abs(v)) / blur)
        array = border + within * (array - border)
    rng = np.random.default_rng(seed)
    return np.asarray(np.clip(array + rng.normal(0, noise, array.shape), 0, 1), np.float32)


def stored(light: Picture) -> npt.NDArray[np.uint8]:
    """The picture as a file stores it: 8 bits, sRGB."""
    return np.asarray(np.rint(255 * linear_to_srgb(light)), np.uint8)
