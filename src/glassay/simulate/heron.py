"""A heron among reeds, as chip designers like to hide one: our own drawing, in curves."""

from __future__ import annotations

import numpy as np
from matplotlib.path import Path

from glassay.simulate.shapes import Colour, Shape, disc

_M, _L, _C, _Q, _Z = (
    int(c) for c in (Path.MOVETO, Path.LINETO, Path.CURVE4, Path.CURVE3, Path.CLOSEPOLY)
)

# x to the right and y down in a square of side 1; the bird looks left
_BODY = [
    (0.40, 0.46), (0.47, 0.35), (0.66, 0.38), (0.78, 0.53), (0.83, 0.59), (0.89, 0.64),
    (0.95, 0.71), (0.85, 0.71), (0.77, 0.715), (0.70, 0.69), (0.54, 0.70), (0.41, 0.62),
    (0.40, 0.46),
]  # fmt: skip
_NECK = [
    (0.455, 0.525), (0.27, 0.46), (0.26, 0.36), (0.37, 0.295), (0.46, 0.24), (0.46, 0.15),
    (0.365, 0.135),
]  # fmt: skip
_HEAD = [
    (0.43, 0.15), (0.42, 0.09), (0.34, 0.085), (0.30, 0.115), (0.23, 0.135), (0.16, 0.15),
    (0.09, 0.172), (0.18, 0.172), (0.25, 0.17), (0.31, 0.168), (0.36, 0.185), (0.42, 0.18),
    (0.43, 0.15),
]  # fmt: skip
_CREST = [(0.40, 0.105), (0.48, 0.11), (0.52, 0.15), (0.57, 0.16)]
_FEATHERS = [
    [(0.50, 0.44), (0.62, 0.44), (0.72, 0.54), (0.80, 0.63)],
    [(0.48, 0.50), (0.58, 0.50), (0.68, 0.58), (0.76, 0.66)],
    [(0.47, 0.56), (0.55, 0.57), (0.62, 0.62), (0.68, 0.66)],
]
_LEGS = [
    [(0.575, 0.68), (0.585, 0.80), (0.565, 0.93)],
    [(0.635, 0.68), (0.665, 0.80), (0.655, 0.93)],
    [(0.565, 0.93), (0.50, 0.945)], [(0.565, 0.93), (0.60, 0.95)],
    [(0.655, 0.93), (0.60, 0.925)], [(0.655, 0.93), (0.70, 0.945)],
]  # fmt: skip
_REEDS = [
    [(0.14, 0.95), (0.12, 0.70), (0.20, 0.42)], [(0.20, 0.95), (0.22, 0.75), (0.15, 0.55)],
    [(0.09, 0.95), (0.06, 0.80), (0.03, 0.66)], [(0.88, 0.95), (0.93, 0.84), (0.97, 0.79)],
]  # fmt: skip
_HEADS_OF_REEDS = [(0.19, 0.455, 0.205, 0.33), (0.155, 0.58, 0.14, 0.47)]
_RIPPLES = [(0.30, 0.50, 0.975), (0.56, 0.80, 0.985), (0.72, 0.95, 0.965)]


def heron(
    left_um: float, top_um: float, side_um: float, ink: Colour, ground: Colour
) -> list[Shape]:
    """The drawing in a square of `side_um` with its top left corner at (`left_um`, `top_um`)."""
    place = np.array([left_um, top_um])

    def at(points: object) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        return np.asarray(np.asarray(points, dtype=np.float64) * side_um + place)

    def stroke(points: list[tuple[float, float]], width: float, colour: Colour) -> Shape:
        codes = {2: (_M, _L), 3: (_M, _Q, _Q), 4: (_M, _C, _C, _C)}[len(points)]
        return Shape(at(points), colour, width * side_um, codes=codes)

    def filled(points: list[tuple[float, float]], colour: Colour) -> Shape:
        codes = (_M, *[_C] * (len(points) - 1))
        return Shape(at(points), colour, codes=codes)

    shapes = [stroke(reed, 0.012, ink) for reed in _REEDS]
    shapes += [Shape(at([(a, b), (c, d)]), ink, 0.03 * side_um) for a, b, c, d in _HEADS_OF_REEDS]
    shapes += [stroke(leg, 0.014 if len(leg) == 3 else 0.010, ink) for leg in _LEGS]
    shapes.append(filled(_BODY, ink))
    shapes.append(Shape(at(_NECK), ink, 0.055 * side_um, codes=(_M, *[_C] * 6)))
    shapes.append(filled(_HEAD, ink))
    shapes.append(stroke(_CREST, 0.012, ink))
    shapes += [stroke(feather, 0.009, ground) for feather in _FEATHERS]
    eye = disc(0.335, 0.125, 0.011, 16)
    shapes.append(Shape(at(eye), ground))
    for x0, x1, y in _RIPPLES:
        x = np.linspace(x0, x1, 17)
        wave = np.stack([x, y + 0.006 * np.sin((x - x0) * 60)], axis=1)
        shapes.append(Shape(at(wave), ink, 0.007 * side_um))
    return shapes
