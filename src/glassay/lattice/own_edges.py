"""The active array of a sensor whose pixels are resolved: where its own lattice ends.

Around an array lie drivers, dummy pixels, a plain margin or other circuits, of any brightness; the
pixels' own wave ends with the pixels. Multiplied by exp(-2 pi i g.x), averaged along a piece of a side
and over one period across it, its amplitude falls evenly from the full one to none over one period,
and is half at the last pixels' edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_closing, binary_opening, label, map_coordinates

from glassay.distortion import Frame
from glassay.errors import NotMeasurable
from glassay.imaging.tone import FloatImage
from glassay.lattice.even_regions import RECTANGULAR, Rectangle
from glassay.lattice.extent import Extent, level_axes, outlined
from glassay.lattice.side import FEWEST_PIECES, PIECES, Side, robust_line

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

REACH = 3.0
"""How far to both sides of the lattice's rough edge the wave is followed, in blocks."""

ENDS = 0.45
"""Amplitude, over that inside, below which the wave must stay beyond the edge: what else is there may
hold a little of it."""

FILLED = 0.6
BEYOND = 0.05
"""Least part of an outline's blocks that the lattice fills, and largest part of the lattice's blocks
that may lie outside: specks and soft corners within, single blocks of something else without."""

STRAIGHT = 0.35
"""Largest scatter of the pieces of a side about its line, in periods."""

PLACED = 0.1
"""Standard uncertainty of a side beyond the scatter of its pieces, in periods: cells whose windows
are off their middles, and mosaics that end with one colour (drawn dies: below 0.1)."""


@dataclass(frozen=True)
class Field:
    """Where a picture's lattice is: which blocks (rows, columns) of `block_px` (height, width) it
    fills, its waves (cycles/px) with the number of the colour of each, its period across (px)."""

    filled: Flags
    block_px: tuple[int, int]
    waves: tuple[Array, ...]
    channels: tuple[int, ...]
    period_px: float


def rectangle_of(field: Field, shape: tuple[int, ...]) -> Rectangle:
    """The rectangle of blocks that a lattice fills in a picture (height, width[, ...]), px.

    Raises `NotMeasurable` where it reaches the picture's border or is no rectangle.
    """
    # rows of blocks whose borders fall into step with the lattice's lines may show none of it
    whole = binary_closing(np.pad(field.filled, 3), np.ones((3, 3)))[2:-2, 2:-2]
    parts, count = label(binary_opening(whole, np.ones((2, 2))))
    if not count:
        raise NotMeasurable("the lattice fills too little of the picture for its edges to be told")
    largest = parts == 1 + int(np.argmax(np.bincount(parts.ravel())[1:]))
    high, wide = field.block_px
    rows, columns = np.nonzero(largest[1:-1, 1:-1])
    bottom, right = (rows.max() + 1) * high, (columns.max() + 1) * wide
    if rows.min() == 0 or columns.min() == 0 or bottom + high > shape[0] or right + wide > shape[1]:
        raise NotMeasurable(
            "the array reaches the border of the picture; photograph the whole array"
        )
    region = largest[1:-1, 1:-1].repeat(high, axis=0).repeat(wide, axis=1).astype(np.uint8)
    outline, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(outline, key=cv2.contourArea)
    middle, size, angle = cv2.minAreaRect(contour)
    if cv2.contourArea(contour) < RECTANGULAR * size[0] * size[1]:
        raise NotMeasurable("the part of the picture that the lattice fills is no rectangle")
    return (float(middle[0]), float(middle[1])), (float(size[0]), float(size[1])), float(angle)


def is_within(extent: Extent, field: Field) -> bool:
    """Whether the lattice fills an outline, and no more, to a block and a half on each side."""
    high, wide = field.block_px
    rows, columns = field.filled.shape
    y, x = np.meshgrid((np.arange(rows) + 0.5) * high, (np.arange(columns) + 0.5) * wide,
                       indexing="ij")  # fmt: skip
    places = np.stack([x, y], axis=-1) - 0.5
    inward = np.full(places.shape[:2], np.inf)
    for start, end in zip(extent.corners, np.roll(extent.corners, -1, axis=0), strict=True):
        along = (end - start) / math.dist(start, end)
        inward = np.minimum(inward, (places - start) @ np.array([-along[1], along[0]]))
    near = 1.5 * max(high, wide)
    inside, outside = inward > near, inward < -near
    beyond = (field.filled & outside).sum() / max(1, field.filled.sum())
    return bool(field.filled[inside].mean() > FILLED and beyond < BEYOND) if inside.any() else False


def own_extent(planes: FloatImage, field: Field, distortion: float | None, frame: Frame) -> Extent:
    """Outline of the array from where its own waves end, in a picture (height, width, colours).

    Raises `NotMeasurable` where a side is not wholly in view or is not straight.
    """
    middle, size, axes = level_axes(rectangle_of(field, planes.shape))
    sides = []
    for axis, sign in ((0, -1), (0, 1), (1, -1), (1, 1)):
        normal, along = sign * axes[axis], axes[1 - axis]
        foot = np.array(middle) + normal * size[axis] / 2
        sides.append(_side(planes, field, foot, normal, along, size[1 - axis]))
    return outlined(planes, sides, distortion, frame, even=False)


def _side(
    planes: FloatImage, field: Field, foot: Array, normal: Array, along: Array, length: float
) -> Side:
    """The side near the line through `foot` along `along`; `normal` points outward."""
    wave, channel = _along_side(field, along)
    plane = np.ascontiguousarray(planes[..., channel], dtype=np.float32)
    reach = REACH * max(field.block_px)
    across = np.arange(-2 * reach, reach + 0.25, 0.5)
    per_piece = max(math.ceil(2 * field.period_px), int(0.84 * length / PIECES))
    found = []
    for spot in np.linspace(-0.42, 0.42, PIECES) * length:
        t = spot + np.arange(per_piece) - (per_piece - 1) / 2
        place = foot + t[:, None, None] * along + across[None, :, None] * normal
        inside = (place >= 0).all(axis=2) & (place <= np.array(planes.shape[1::-1]) - 1).all(axis=2)
        seen = inside.all(axis=0)
        if seen.all() or (seen[: int(np.argmin(seen))].size and across[int(np.argmin(seen))] > 0):
            until = seen.size if seen.all() else int(np.argmin(seen))
            amplitude = _amplitude(plane, place[:, :until], wave, field.period_px)
            edge = _half_fall(across[:until], amplitude, field.period_px)
            if edge is not None:
                found.append((float(spot), edge))
    if len(found) < FEWEST_PIECES:
        raise NotMeasurable("one side of the array is not in view, or no clear end of its lattice")
    t, offset = np.array(found).T
    _, _, scatter, kept = robust_line(t, offset)
    if scatter > STRAIGHT * field.period_px or kept.sum() < FEWEST_PIECES:
        raise NotMeasurable("a side of the array is not straight")
    points = foot + t[kept, None] * along + offset[kept, None] * normal
    return Side(points, normal, scatter / math.sqrt(kept.sum()), 1.0, PLACED * field.period_px)


def _along_side(field: Field, along: Array) -> tuple[Array, int]:
    """The wave that varies most along a side, and its colour: its ends are cut by no street."""
    best = max(range(len(field.waves)), key=lambda n: abs(float(field.waves[n] @ along)))
    return field.waves[best], field.channels[best]


def _amplitude(plane: FloatImage, place: Array, wave: Array, period: float) -> Array:
    """Amplitude of the wave (steps across,), at places (along, across, 2)."""
    light = map_coordinates(
        plane, [place[..., 1], place[..., 0]], np.float32, order=1, prefilter=False
    )
    light = light - light.mean(axis=0)
    taper = np.hanning(light.shape[0] + 2)[1:-1]
    turned = light * np.exp(-2j * np.pi * (place @ wave)) * taper[:, None]
    line = turned.mean(axis=0)
    width = max(1, round(2 * period))  # steps are half px: one period
    kernel = np.ones(width) / width
    inner = np.convolve(np.pad(line, width, mode="edge"), kernel, mode="same")[width:-width]
    return np.asarray(np.abs(inner))


def _half_fall(across: Array, amplitude: Array, period: float) -> float | None:
    """Where, going outward, the amplitude falls to half of that inside for good."""
    level = float(np.median(amplitude[: max(4, int(amplitude.size / 4))]))
    below = amplitude < 0.5 * level
    for index in np.flatnonzero(below[1:] & ~below[:-1]) + 1:
        beyond = amplitude[index : index + max(2, round(4 * period))]
        beyond = beyond[max(1, round(0.5 * period)) :]
        if beyond.size and float(np.median(beyond)) > ENDS * level:
            continue
        part = (amplitude[index - 1] - 0.5 * level) / (amplitude[index - 1] - amplitude[index])
        return float(across[index - 1] + part * (across[index] - across[index - 1]))
    return None
