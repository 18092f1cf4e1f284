"""One picture of a die laid on another by their outlines alone: for what shows nothing else in common.

The back of a die, or a front whose every layer is off, has the rim in common with the picture that
was measured, and no more. A rectangle lies on another one in two ways (a square in four), and so does
its mirror image: which is meant is stated by a person, or decided by marks named in both pictures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from glassay.die.measure import DieResult
from glassay.die.outline import Outline
from glassay.errors import NotMeasurable
from glassay.finding import Finding
from glassay.quantity import Contribution, Quantity, combine

Array = npt.NDArray[np.float64]

Turn = Literal[
    "not", "a quarter clockwise", "half", "a quarter counterclockwise",
    "about its vertical axis", "about its horizontal axis",
    "about its falling diagonal", "about its rising diagonal",
]  # fmt: skip
"""How the die lies in the other picture against the measured one, both laid level: the eight ways in
which a square lies on itself. The falling diagonal runs from the top left to the bottom right corner.
"""

TURNS: tuple[Turn, ...] = get_args(Turn)

METHOD = "outline on outline"

_MATRICES: dict[Turn, tuple[tuple[int, int], tuple[int, int]]] = {
    "not": ((1, 0), (0, 1)), "a quarter clockwise": ((0, -1), (1, 0)),
    "half": ((-1, 0), (0, -1)), "a quarter counterclockwise": ((0, 1), (-1, 0)),
    "about its vertical axis": ((-1, 0), (0, 1)), "about its horizontal axis": ((1, 0), (0, -1)),
    "about its falling diagonal": ((0, 1), (1, 0)), "about its rising diagonal": ((0, -1), (-1, 0)),
}  # fmt: skip
"""Where in the other picture a place lies, from the die's middle (x right, y down)."""

LEVEL_DEG = 40.0
"""Tilt up to which "laid level" means one thing: at 45 degrees it is anyone's guess which corner is
the top left one; 5 degrees are left for what a person takes for level (common practice, no source)."""

OTHER_DIE = 0.02
"""Relative difference of sizes or shapes, beyond what U explains, from which two outlines are not of
one die: a sawn wall leans and its rim is chipped by up to some 2 % of a small die (common practice,
no source). What lies within goes into the uncertainty."""

WHICH_RIM = math.sqrt(1 / 12 + 1 / 16)
"""u of a place at the rim over the difference of sizes: which of two opposite rims makes it is unknown
(an interval of half of it to either side), and half of it went into the scale (a quarter at a rim)."""

FAR = 3.0
"""Standard uncertainties within which marks lie where they should; a way in which none do is none."""


def is_mirrored(turn: Turn) -> bool:
    """Whether the other picture shows the die from its other side."""
    (a, b), (c, d) = _MATRICES[turn]
    return a * d - b * c < 0


@dataclass(frozen=True)
class Mark:
    """What a person saw in both pictures: its place on the die, um from the top left corner, and in the
    other picture, px."""

    place_um: tuple[float, float]
    at_px: tuple[float, float]


@dataclass(frozen=True)
class LaidByOutline:
    """A picture of a die laid on the measured one. `turn` says how; `scale` px of the picture a um.

    `offset` is what it may be shifted by at a corner of the die, um, a coordinate: 0 with its
    uncertainty. `residual` is the rms distance of the corners, um, once laid. `marks_off` is that of
    the marks, where there are any. `notes` must be known beside it.
    """

    die: DieResult
    outline: Outline
    turn: Turn
    scale: Quantity
    rotation: Quantity
    offset: Quantity
    residual: Quantity
    marks_off: Quantity | None
    notes: tuple[str, ...]

    def in_picture(self, places_um: npt.ArrayLike) -> Array:
        """Places on the die (n, 2), um from its top left corner, as px of the picture."""
        return _laid(self.die, self.outline, self.turn, self.scale.value, places_um)

    def findings(self) -> dict[str, Finding]:
        """offset, residual, marks (um) and rotation (deg, clockwise as seen, once mirrored back)."""
        out = {
            "offset": Finding(self.offset, METHOD),
            "residual": Finding(self.residual, METHOD),
            "rotation": Finding(self.rotation, METHOD),
        }
        if self.marks_off is not None:
            out["marks"] = Finding(self.marks_off, "marks named by hand, rms")
        return out


def lay_by_outline(
    die: DieResult, outline: Outline, pixel_size: Quantity | None = None, *, mirrored: bool,
    turn: Turn | None = None, marks: Sequence[Mark] = (), u_marks_px: float = 1.0,
) -> LaidByOutline:  # fmt: skip
    """Lay the picture in which `outline` was found on the measured `die`.

    `pixel_size` um/px of that picture, where it is known: sizes are then held against each other, else
    only shapes. `mirrored`: it shows the die from its other side. `turn` and `marks` as the classes
    say; `u_marks_px` is the standard uncertainty of a mark in the picture, px, both pictures' pointing
    in it. Raises `NotMeasurable` where the outlines are of two dies, or where it is not told which of
    the ways in which they lie on each other is meant.
    """
    for name, tilt in (("measured", die.outline.tilt.value), ("other", outline.tilt.value)):
        if abs(tilt) > LEVEL_DEG:
            raise NotMeasurable(
                f"the die lies {abs(tilt):.0f} degrees askew in the {name} picture, so that which of"
                " its sides is the upper one is not told; turn the picture"
            )
    notes = _hold_sizes(die, outline, pixel_size)
    ways = _ways(die, outline, mirrored)
    chosen = _chosen(die, outline, ways, mirrored, turn, marks, u_marks_px)
    scale = _scale(die, outline, chosen)
    flat = _flat(die, outline, chosen, scale.value, _corners_um(die))
    off = (flat - outline.corners[_order(chosen)]) / scale.value
    rms = math.sqrt(float((off**2).sum(axis=1).mean()))
    u_rms = _u_residual(die, outline, scale.value)
    offset = _offset(die, outline, scale.value, rms, _difference(die, outline, chosen, pixel_size))
    marks_off = None
    if marks:
        away = _marks_off(die, outline, chosen, scale.value, marks)
        u = u_marks_px / scale.value / math.sqrt(2 * len(marks))
        marks_off = Quantity.of(away, u, "um", "pointing at the marks")
    if mirrored:
        notes.append(
            "an outline tells where the rim of the back lies; where the saw cut leans or the rim is"
            " chipped, the front's is not above it, which shows only in a difference of their sizes"
        )
    return LaidByOutline(
        die, outline, chosen, scale, _rotation(die, outline, chosen), offset,
        Quantity.of(rms, u_rms, "um", "outlines"), marks_off, tuple(notes),
    )  # fmt: skip


# ---- which way round ----------------------------------------------------------------------------


def _ways(die: DieResult, outline: Outline, mirrored: bool) -> list[Turn]:
    """The ways in which the outline's shape allows it to lie on the die's."""
    own = combine(lambda w, h: w / h, (die.outline.width, die.outline.height), "1")
    other = combine(lambda w, h: w / h, (outline.width, outline.height), "1")
    room = max(OTHER_DIE, 2 * math.hypot(own.relative, other.relative))
    upright = abs(math.log(own.value / other.value))
    turned = abs(math.log(own.value * other.value))
    if min(upright, turned) > room:
        raise NotMeasurable(
            f"the outlines differ in shape by {min(upright, turned):.1%}: they are not of one die,"
            " or one of them follows something else"
        )
    return [
        turn for turn in TURNS
        if is_mirrored(turn) == mirrored and (turned if _swaps(turn) else upright) <= room
    ]  # fmt: skip


def _swaps(turn: Turn) -> bool:
    """Whether the die's width runs down in the other picture."""
    return _MATRICES[turn][0][0] == 0


def _chosen(
    die: DieResult, outline: Outline, ways: list[Turn], mirrored: bool, turn: Turn | None,
    marks: Sequence[Mark], u_marks_px: float,
) -> Turn:  # fmt: skip
    if turn is not None and is_mirrored(turn) != mirrored:
        how = "is a mirror image" if is_mirrored(turn) else "is no mirror image"
        raise NotMeasurable(f"a die turned {turn!r} {how}, and the layer says otherwise")
    if turn is not None and turn not in ways:
        raise NotMeasurable(
            f"turned {turn!r}, its longer side would run the other way: in the picture it lies turned"
            f" {_either(ways)}"
        )
    if turn is None and not marks:
        raise NotMeasurable(
            f"its outline lies on the die's turned {_either(ways)} alike: say which (turned), or name"
            " marks that are seen in both pictures"
        )
    if not marks:
        assert turn is not None, "told above"
        return turn
    fits = _fitting(die, outline, ways, marks, u_marks_px)
    allowed = ways if turn is None else [turn]
    if not any(way in fits for way in allowed):
        raise NotMeasurable(_why_none(die, outline, allowed, mirrored, marks, u_marks_px))
    if turn is not None:
        return turn
    if len(fits) > 1:
        raise NotMeasurable(
            f"the marks fit turned {_either(fits)} alike: name one that lies farther from the die's"
            " middle and from its axes"
        )
    return fits[0]


def _fitting(
    die: DieResult, outline: Outline, ways: Sequence[Turn], marks: Sequence[Mark], u_px: float
) -> list[Turn]:
    """The ways in which the marks lie where they should."""
    out = []
    for way in ways:
        scale = _scale(die, outline, way).value
        u = math.hypot(u_px, _offset(die, outline, scale, 0.0, 0.0).u * scale)
        # two coordinates of each mark: their rms distance is root 2 of u in the mean
        if _marks_off(die, outline, way, scale, marks) * scale <= FAR * u * math.sqrt(2):
            out.append(way)
    return out


def _why_none(
    die: DieResult, outline: Outline, allowed: list[Turn], mirrored: bool, marks: Sequence[Mark],
    u_px: float,
) -> str:  # fmt: skip
    elsewhere = [
        way for way in (*_ways(die, outline, mirrored), *_ways(die, outline, not mirrored))
        if way not in allowed
    ]  # fmt: skip
    fits = _fitting(die, outline, elsewhere, marks, u_px)
    least = min(
        _marks_off(die, outline, way, _scale(die, outline, way).value, marks) for way in allowed
    )
    also = ""
    if fits:
        mirror = "" if is_mirrored(fits[0]) == mirrored else (
            ", a mirror image" if is_mirrored(fits[0]) else ", no mirror image"
        )  # fmt: skip
        also = f"; they fit turned {_either(fits)}{mirror}"
    return f"the marks lie {least:.3g} um off (rms) turned {_either(allowed)}{also}"


def _either(ways: Sequence[Turn]) -> str:
    return " or ".join(f"{way!r}" for way in ways)


# ---- geometry -----------------------------------------------------------------------------------


def _size_um(die: DieResult) -> Array:
    return np.array([die.outline.width.value, die.outline.height.value]) * die.per_px


def _flat(
    die: DieResult, outline: Outline, turn: Turn, scale: float, places_um: npt.ArrayLike
) -> Array:
    """Places on the die as px of the other picture without its lens: a similarity about the middles."""
    away = np.asarray(places_um, np.float64).reshape(-1, 2) - _size_um(die) / 2
    level = scale * away @ np.array(_MATRICES[turn], np.float64).T
    return np.asarray(outline.corners.mean(axis=0) + level @ outline.axes)


def _laid(
    die: DieResult, outline: Outline, turn: Turn, scale: float, places_um: npt.ArrayLike
) -> Array:
    return outline.frame.distorted(_flat(die, outline, turn, scale, places_um), outline.k1)


def _corners_um(die: DieResult) -> Array:
    """The die's own corners, um from the top left corner of the rectangle of mean width and height."""
    return np.asarray((die.outline.corners - die.outline.origin) @ die.outline.axes.T * die.per_px)


def _order(turn: Turn) -> list[int]:
    """Which corner of the other outline each corner of the die lies on."""
    ring = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
    there = ring @ np.array(_MATRICES[turn]).T
    return [int(np.flatnonzero((ring == one).all(axis=1))[0]) for one in there]


def _sides(outline: Outline, turn: Turn) -> tuple[Quantity, Quantity]:
    """The lengths in the other picture of the die's width and height."""
    pair = (outline.width, outline.height)
    return (pair[1], pair[0]) if _swaps(turn) else pair


def _scale(die: DieResult, outline: Outline, turn: Turn) -> Quantity:
    """px of the other picture a um of the die: both sides, by their weights."""
    across, down = _sides(outline, turn)
    ratios = [across.relative**2 + die.outline.width.relative**2,
              down.relative**2 + die.outline.height.relative**2]  # fmt: skip
    weight = ratios[1] / (ratios[0] + ratios[1])
    per = die.per_px
    return combine(
        lambda a, b, w, h: (weight * a / w + (1 - weight) * b / h) / per,
        (across, down, die.outline.width, die.outline.height), "px/um",
    )  # fmt: skip


def _rotation(die: DieResult, outline: Outline, turn: Turn) -> Quantity:
    """Of the picture, mirrored back where it is a mirror image, against the die laid level."""
    way = np.array(_MATRICES[turn], np.float64)[:, 0] @ outline.axes
    if is_mirrored(turn):
        way = way * (-1, 1)
    parts = (*die.outline.tilt.contributions, *outline.tilt.contributions)
    return Quantity(math.degrees(math.atan2(way[1], way[0])), "deg", parts)


def _marks_off(
    die: DieResult, outline: Outline, turn: Turn, scale: float, marks: Sequence[Mark]
) -> float:
    """Rms distance of the marks from where they should lie, um."""
    there = _laid(die, outline, turn, scale, [mark.place_um for mark in marks])
    off = (there - np.array([mark.at_px for mark in marks])) / scale
    return math.sqrt(float((off**2).sum(axis=1).mean()))


# ---- uncertainty --------------------------------------------------------------------------------


def _in_um(die: DieResult, outline: Outline, scale: float) -> list[tuple[str, Outline, float]]:
    return [
        ("the die's outline", die.outline, die.per_px),
        ("the layer's outline", outline, 1 / scale),
    ]


def _u_edge(outline: Outline, per: float) -> float:
    """u of where an edge is, um: a side's length is held by two of them."""
    return per * max(outline.width.u, outline.height.u) / math.sqrt(2)


def _offset(die: DieResult, outline: Outline, scale: float, rms: float, differ: float) -> Quantity:
    """What a corner may be off by, a coordinate: edges and directions of both outlines, what is left
    at the corners, and the difference of the sizes, if any."""
    half = float(np.hypot(*_size_um(die))) / 2
    parts = []
    for name, one, per in _in_um(die, outline, scale):
        parts.append(Contribution(f"{name}: edges", _u_edge(one, per), scope="capture"))
        turned = math.radians(one.tilt.u) * half
        parts.append(Contribution(f"{name}: directions", turned, scope="capture"))
    parts.append(Contribution("left at the corners", rms / math.sqrt(2), scope="capture"))
    parts.append(Contribution("sizes differ", differ * WHICH_RIM, scope="setting"))
    return Quantity(0.0, "um", tuple(part for part in parts if part.u))


def _u_residual(die: DieResult, outline: Outline, scale: float) -> float:
    return math.hypot(*(_u_edge(one, per) for _, one, per in _in_um(die, outline, scale)))


def _other_size(
    die: DieResult, outline: Outline, turn: Turn, pixel_size: Quantity
) -> list[tuple[Quantity, Quantity]]:
    """(the die's side, the other picture's), um."""
    pairs = []
    for own, side in zip((die.width, die.height), _sides(outline, turn), strict=True):
        pairs.append((own, combine(lambda n, size: n * size, (side, pixel_size), "um")))
    return pairs


def _difference(die: DieResult, outline: Outline, turn: Turn, pixel_size: Quantity | None) -> float:
    """By how much the sizes differ, um: the larger of both sides, 0 where one has no scale."""
    if pixel_size is None or die.pixel_size is None:
        return 0.0
    pairs = _other_size(die, outline, turn, pixel_size)
    return max(abs(own.value - other.value) for own, other in pairs)


def _hold_sizes(die: DieResult, outline: Outline, pixel_size: Quantity | None) -> list[str]:
    if pixel_size is None or die.pixel_size is None:
        return ["the layer has no scale of its own: its size is taken to be the die's, only its shape"
                " was held against it"]  # fmt: skip
    both: tuple[Turn, ...] = ("not", "a quarter clockwise")
    turn = min(both, key=lambda one: _difference(die, outline, one, pixel_size))
    said = []
    pairs = _other_size(die, outline, turn, pixel_size)
    for name, (own, other) in zip(("width", "height"), pairs, strict=True):
        apart = combine(lambda a, b: b / a - 1, (own, other), "1")
        if abs(apart.value) <= apart.expanded:
            continue
        if abs(apart.value) > OTHER_DIE:
            raise NotMeasurable(
                f"its outline's {name} is {other.value:.5g} um and the die's {own.value:.5g} um: they"
                " are not of one die, or one of them follows something else"
            )
        said.append(
            f"the outlines' {name}s differ by {apart.value:+z.2%} (U {apart.expanded:.2%}): which rim"
            " makes the difference is not known, and the uncertainty of places holds it"
        )
    return said
