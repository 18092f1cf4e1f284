"""Whether what stands on a lattice is alike, as cells and dots are, or something else that repeats."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage
from glassay.scale.grid_lattice import Lattice

Array = npt.NDArray[Any]

LEAST_ODD = 0.2
"""Least share of the spots at odd places, and at even ones: of brickwork, only one kind is taken."""
MIN_ALIKE = 0.88
"""Share of the variation about a cell or dot that one common picture of it must explain, unless a grid
was said to be shown: simulated cells and dots give 0.93 and more, drawn sheets of digits 0.85."""
MIN_MIRRORED = 0.8
"""Least agreement of a spot with its mirror image where a bench files the photo under a grid: cells
and dots give 0.97 and more, a piece of wallpaper, a letter or a key anything."""
MOST_COMPARED = 150
"""Spots compared, spread over the lattice: bounds the time of fine grids (not studied)."""


def check_likeness(light: FloatImage, lattice: Lattice) -> None:
    """Refuse brickwork, and what differs from place to place. Raises `NotMeasurable`."""
    odd = float((lattice.index.sum(axis=1) % 2).mean())
    if min(odd, 1 - odd) < LEAST_ODD:
        raise NotMeasurable(
            "only every second place of the lattice is taken, as in brickwork; if it is a grid, say so"
            " (pattern: grid)"
        )
    if (alike := _likeness(light, lattice)) < MIN_ALIKE:
        raise NotMeasurable(
            f"what stands on the lattice differs too much from place to place ({alike:.0%} alike) to be"
            " a grid's cells or dots; if it is a grid, say so (pattern: grid)"
        )


def _likeness(light: FloatImage, lattice: Lattice) -> float:
    """How much of the variation about the spots one common picture of a spot explains."""
    patches = _patches(light, lattice)
    if len(patches) < 9:
        return 1.0
    patches = patches.reshape(len(patches), -1)
    patches = patches - patches.mean(axis=1, keepdims=True)
    common = np.median(patches, axis=0)
    rest = ((patches - common) ** 2).sum(axis=1) / np.maximum((patches**2).sum(axis=1), 1e-12)
    return float(1 - np.median(rest))


def mirrored(light: FloatImage, lattice: Lattice) -> float:
    """How well the common picture of a spot agrees with itself turned over along either axis."""
    patches = _patches(light, lattice)
    if len(patches) < 9:
        return 1.0
    common = np.median(patches, axis=0)
    common = common - common.mean()
    size = max(float((common**2).sum()), 1e-12)
    return float(min((common * turned).sum() / size for turned in (common[::-1], common[:, ::-1])))


def _patches(light: FloatImage, lattice: Lattice) -> Array:
    """Pictures (n, 13, 13) about some of the spots, smoothed a little."""
    step = max(1, len(lattice.points) // MOST_COMPARED)
    grid = (np.arange(13) - 6) / 13 * 0.9
    u, v = np.meshgrid(grid, grid)
    offsets = u.ravel()[:, None] * lattice.a + v.ravel()[:, None] * lattice.b
    places = (lattice.points[::step, None, :] + offsets).astype(np.float32)
    soft = cv2.GaussianBlur(light, (0, 0), max(0.5, 0.05 * float(np.hypot(*lattice.a))))
    patches = cv2.remap(soft, places[..., 0], places[..., 1], cv2.INTER_LINEAR)
    height, width = light.shape
    inside = ((places >= 0) & (places <= (width - 1, height - 1))).all(axis=(1, 2))
    return np.asarray(patches[inside].reshape(-1, 13, 13))


def is_chessboard(light: FloatImage, lattice: Lattice) -> bool:
    """Whether half-way between neighbouring spots the light is half-way, as at corners of squares.

    Between the dots of a dot grid lies its ground, between the cells of a crossed grid its line:
    there the light is that of the middle of four spots. On a chessboard that middle is a field of
    the other colour, and half-way between two fields of one colour lies the corner they share.
    """
    soft = cv2.GaussianBlur(light, (0, 0), 1.0)

    def light_at(step: Array) -> float:
        at = lattice.points + step
        inside = ((at >= 0) & (at <= (light.shape[1] - 1, light.shape[0] - 1))).all(axis=1)
        x, y = at[inside].astype(np.float32).T
        return float(np.mean(cv2.remap(soft, x, y, cv2.INTER_LINEAR)))

    spot, middle = light_at(np.zeros(2)), light_at((lattice.a + lattice.b) / 2)
    between = (light_at(lattice.a / 2) + light_at(lattice.b / 2)) / 2
    share = (between - spot) / (middle - spot) if middle != spot else 1.0
    # Faint lines of a crossed grid look alike there, but its cells take most of the surface.
    x0, y0 = lattice.points.min(axis=0).astype(int)
    x1, y1 = lattice.points.max(axis=0).astype(int)
    bright = float((soft[y0:y1, x0:x1] > (spot + middle) / 2).mean())
    return bool(0.25 < share < 0.75 and 0.38 < bright < 0.62)
