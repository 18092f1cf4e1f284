"""What a person notes of a die by hand: regions with kinds, and markings as read. A plain file.

TOML (places in um from the die's top left corner, x to the right, y down):

    [[region]]
    kind = "memory"
    name = "left array"
    box = [120, 240, 400, 300]           # x, y, width, height; or
    polygon = [[120, 240], [520, 240], [520, 540]]

    [[marking]]
    text = "PIER 7?"                     # a doubtful character is followed by ?, an unread one is ??
    place = [700, 900]

    [[pad]]                              # one that was not found: its middle and size
    place = [60, 480]
    size = [80, 80]
    number = "12a"                       # its number, see docs/die.md

    [[no_pad]]                           # where a pad was found that is none
    place = [60, 240]

    [numbering]                          # which pad is number 1, and which way counting goes
    first = [60, 80]
    clockwise = true
    numbers = [[60, 160, "2"], [60, 240, "A3"]]   # of single pads: a place on each, and its number

    [outline]                            # where the sides cannot be followed: px of the whole photo
    corners = [[101, 90], [812, 93], [810, 640], [99, 637]]
    within = 3                           # px, at 95 %
    capture = "captures/chip.png"        # of a bench

    [[layer]]                            # another picture of the same die, laid over it
    name = "after etching"
    capture = "captures/etched.jpg"      # of the bench; or, seen from this file:
    # picture = "../mosaics/etched"      # a photo or a mosaic's folder
    mirrored = true                      # where it is seen from the other side
    by = "outline"                       # where it shows nothing in common with the die but its outline
    turned = "about its vertical axis"   # how the die was turned for it; or, and, marks seen in both:
    marks = [[120, 80, 1013, 212], ["12", 640, 480]]   # x, y on the die (um) or a pad; x, y there (px)
    corners = [[101, 90], [812, 93], [810, 640], [99, 637]]   # where its outline cannot be followed
    within = 3                           # px of the layer, at 95 %: of its marks and corners

    [finest_line]                        # as read by eye in the picture, +- at 95 %
    width = "1.2 um"
    within = "0.2 um"

    [finest_pitch]                       # the same of the finest pitch of parallel lines
    pitch = "3.8 um"
    within = "0.1 um"

    [about]                              # each in words, all optional
    maker = "as printed on the package"
    package = "QFP-44"
    note = "..."
    opened = "how the package was opened, and by whom"
    credit = "whom to name"
    licence = "CC BY 4.0"
    licence_address = "https://creativecommons.org/licenses/by/4.0/"

or GeoJSON (RFC 7946; um from the die's bottom left corner, y up, as `glassay die` writes it): polygons
with the properties `kind` and `name`, points with the property `text`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Literal, get_args

from glassay.die import Corrections, PointedOutline, Turn

RegionKind = Literal["memory", "logic", "analog", "drawing", "marking", "unknown"]
KINDS: tuple[RegionKind, ...] = get_args(RegionKind)

Point = tuple[float, float]


@dataclass(frozen=True)
class Region:
    """A part of a die as a person drew it: corners (um from the top left corner, y down)."""

    kind: RegionKind
    name: str
    corners: tuple[Point, ...]

    @property
    def area_um2(self) -> float:
        """Its area (the shoelace formula), um^2."""
        ring = (*self.corners, self.corners[0])
        twice = sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(ring))
        return abs(twice) / 2

    @property
    def size_um(self) -> Point:
        """How wide and how high it is, along the die's sides."""
        xs, ys = zip(*self.corners, strict=True)
        return max(xs) - min(xs), max(ys) - min(ys)

    @property
    def middle(self) -> Point:
        """The mean of its corners."""
        xs, ys = zip(*self.corners, strict=True)
        return sum(xs) / len(xs), sum(ys) / len(ys)


@dataclass(frozen=True)
class Marking:
    """Lettering on a die as it was read; `place` in um or None."""

    text: str
    place: Point | None = None

    @property
    def is_doubtful(self) -> bool:
        """Whether any of its characters is."""
        return "?" in self.text


@dataclass(frozen=True)
class DieAbout:
    """What a person says of a chip and its pictures, in words; "" where nothing is said."""

    maker: str = ""
    package: str = ""
    note: str = ""
    opened: str = ""
    credit: str = ""
    licence: str = ""
    licence_address: str = ""


@dataclass(frozen=True)
class OutlineByHand:
    """The outline as a person set it in a photo: of a bench's capture by its id, or "" where there is
    only one photo."""

    pointed: PointedOutline
    capture: str = ""


@dataclass(frozen=True)
class LayerMark:
    """What is seen on the die and in a layer: its place on the die (um) or a pad's number, and its
    place in the layer's whole photo (px)."""

    on_die: Point | str
    at_px: Point


LayerBy = Literal["likeness", "outline"]


@dataclass(frozen=True)
class Layer:
    """Another picture of the same die: the id of a capture of the bench, or the path of a photo or of a
    mosaic's folder from the notes' folder on ("" for the other); and whether it is a mirror image.

    `by` says by what it is laid on the die. By its outline a person states how the die was `turned`, or
    names `marks`, or both; `u_marks_px` is their standard uncertainty in the layer, and `outline` is
    set where it cannot be followed (px of the whole photo)."""

    name: str
    capture: str = ""
    picture: str = ""
    mirrored: bool = False
    by: LayerBy = "likeness"
    turned: Turn | None = None
    marks: tuple[LayerMark, ...] = ()
    u_marks_px: float = math.nan
    outline: PointedOutline | None = None


NOTHING_CORRECTED = Corrections()


@dataclass(frozen=True)
class DieNotes:
    """Everything noted by hand of one die."""

    regions: tuple[Region, ...] = ()
    markings: tuple[Marking, ...] = ()
    about: DieAbout = DieAbout()
    corrections: Corrections = NOTHING_CORRECTED
    outline: OutlineByHand | None = None
    layers: tuple[Layer, ...] = ()


NOTHING_NOTED = DieNotes()

NOTES_FOLDER = "dies"
"""Folder of a bench in which notes by hand lie: CHIP.toml or CHIP.geojson."""


def notes_file(bench_folder: Path, chip: str) -> Path | None:
    """The file of notes of a bench's chip, where there is one."""
    kept = [bench_folder / NOTES_FOLDER / f"{chip}{suffix}" for suffix in (".toml", ".geojson")]
    return next((path for path in kept if path.is_file()), None)
