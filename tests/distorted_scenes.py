"""Grids behind a lens of known radial distortion, drawn point by point from its definition.

r_d = r_u (1 + k r_u^2), radii in half diagonals about the photo's middle (the radial term of Brown
1966); neither the simulator nor the code under test has a hand in it.
"""

from __future__ import annotations

from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

Picture = npt.NDArray[np.float32]

SUPERSAMPLING = 3
SHAPE = (660, 880)
PITCH = 23.7
CORNER_BOX, EDGE_BOX = (10, 12, 380, 300), (500, 150, 370, 330)


def photographed_lattice(
    what: Literal["crossed grid", "dots", "cells"], k: float, pitch: float = PITCH
) -> Picture:
    """Linear light (height, width) of `SHAPE`: a lattice turned by 3 deg, its axes square."""
    height, width = SHAPE
    y, x = np.mgrid[0 : height * SUPERSAMPLING, 0 : width * SUPERSAMPLING].astype(np.float64)
    half = np.hypot(height, width) / 2
    x = ((x + 0.5) / SUPERSAMPLING - width / 2) / half
    y = ((y + 0.5) / SUPERSAMPLING - height / 2) / half
    square = x * x + y * y
    bent = k * square
    share = np.ones_like(square)  # r_u / r_d, by the fixed point of its definition
    for _ in range(25):
        before, share = share, 1 / (1 + bent * (share * share))
        if np.abs(share - before).max() < 1e-15:
            break
    u, v = x * share * half, y * share * half
    c, s = np.cos(np.radians(3.0)), np.sin(np.radians(3.0))
    a, b = (u * c + v * s) / pitch, (v * c - u * s) / pitch
    a, b = a - np.rint(a), b - np.rint(b)
    if what == "crossed grid":
        fine = np.where((np.abs(a) < 0.08) | (np.abs(b) < 0.08), 0.1, 0.8)
    elif what == "dots":
        fine = np.where(a * a + b * b < 0.22**2, 0.1, 0.8)
    else:
        fine = np.where((np.abs(a) < 0.35) & (np.abs(b) < 0.35), 0.6, 0.1)
    light = fine.reshape(height, SUPERSAMPLING, width, SUPERSAMPLING).mean(axis=(1, 3))
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 0.9)
    noise = np.random.default_rng(0).normal(0, 0.004, light.shape)
    return np.clip(light + noise, 0, 1).astype(np.float32)
