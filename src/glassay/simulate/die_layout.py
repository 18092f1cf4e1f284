"""The elements of a virtual die: its films, and the parts of which it is laid out."""

from __future__ import annotations

from dataclasses import dataclass

from glassay.simulate.geometry import Points
from glassay.simulate.lettering import Font
from glassay.simulate.shapes import Boxes, Colour, Shape

Box = tuple[float, float, float, float]

SUBSTRATE: Colour = (0.20, 0.19, 0.24)
METAL: Colour = (0.74, 0.71, 0.60)
PAD: Colour = (0.86, 0.84, 0.76)
CAVITY: Colour = (0.11, 0.10, 0.085)
FILMS: tuple[Colour, ...] = (
    (0.16, 0.31, 0.33), (0.40, 0.25, 0.28), (0.33, 0.34, 0.19), (0.29, 0.22, 0.39),
    (0.22, 0.36, 0.24), (0.44, 0.33, 0.20),
)  # fmt: skip
"""Colours of thin films over blocks, linear light."""


@dataclass(frozen=True)
class Lattice:
    """A block filled with a repeated cell: two sets of strips and the dots where they cross."""

    box: Box
    period_um: tuple[float, float]
    strip_um: tuple[float, float]
    along_x: Colour
    along_y: Colour
    dots: Colour


@dataclass(frozen=True)
class Lettering:
    """A word on the die."""

    text: str
    middle_um: tuple[float, float]
    height_um: float
    colour: Colour
    font: Font = "bold"


Part = Shape | Boxes | Lattice | Lettering


@dataclass(frozen=True, eq=False)
class Layout:
    shapes: tuple[Shape | Boxes, ...]
    lattices: tuple[Lattice, ...]
    words: tuple[Lettering, ...]
    pads: Points
    pad_pitch_um: float
    heron: Points
