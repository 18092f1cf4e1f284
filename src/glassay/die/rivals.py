"""Edges within the outline that run along whole sides, and may be the die's own rim.

The outermost edge is the saw cut only where nothing that is no silicon stands out from the surround
with the die: a shadow beside it, its image in a cover glass, a fillet of glue, the paddle or the pit
that it lies in. All of these leave the rim of the die as a second edge, straight and as long as a side.
So does a street, but at all four sides alike, and narrowly. And where the outline was taken at a seal
ring, the cut may lie a few px beyond, hardly seen beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from glassay.die.close_edges import CloseEdges, close_edges
from glassay.die.nested import STEP_PX, Start
from glassay.die.one_edge import PENUMBRA, WhereCut, where_cuts
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution

Array = npt.NDArray[Any]

DEEPEST = 0.35
"""How far within the outline edges are looked for, parts of the shorter side."""

NEAREST_PX = 3.0
"""Edges nearer than this to the outline are its own rise."""

PIECES = 32
ALL_ALONG = 0.85
"""Parts of a side in which an edge must be seen to run along it: rows of pads leave gaps."""

LEAST_SHARE = 0.15
"""Least step of such an edge over that of the outline at the same side."""

STREET = 0.06
"""Distance, parts of the shorter side, up to which an edge all around is a street's or a seal ring's: a
street is seldom wider. So far beyond the outline a fainter one is looked for."""

ALIKE, ALIKE_STEP, PARTLY = 2.5, 3.0, 0.65
"""Ratios of distances and of steps up to which opposite sides have the same thing within them (saws
leave streets of unequal width), and in what part of the opposite side it must be seen: bond wires cross
a third."""

SAME_STEP = 1.5
"""The ratio of steps where a shadow is suspected: one cut has one step, uneven light and all."""

LESS_EVEN = 0.25
"""By how much the opposite side's margin may be less even: rows of pads begin with an edge, too."""

EVEN = 0.3
"""Spread of light between an edge and the outline, over the outline's step, up to which nothing but a
shadow, an image or glue lies there: those of the attack give 0.28 at most, seal rings 0.4 and more."""

FAINT = 0.4
"""A side's own step over that of the opposite side below which a stronger edge within it counts."""

OTHER_STEP = 1.25
"""Ratio of opposite sides' own steps from which they may end against different things. Uneven light
makes it too: opposite edges must then be more alike, no more."""

ROUGH_PX, ROUGH_SHARE = 0.3, 5e-4
"""How far the pieces of a side stray from a smooth line (standard deviation, px, and part of the
shorter side) from which it is no saw cut: drawn cuts give 0.12 px at most, fillets of glue 0.47 and
more."""

OF_STRAY = 8.0
"""Width of a fillet of glue in such deviations, where its inner edge is not told apart: 7 to 8 in the
attack's drawings."""

BARE = 0.1
"""Spread of light in the margin between two edges over the outline's step, below which it is bare."""

RIM, RIM_PX = 0.02, 6.0
"""Least width of a bare rim that may be what the die lies on, parts of the shorter side and px: seal
rings are narrower."""


@dataclass(frozen=True)
class Inner:
    """An edge within a side: how far (px), its step of light (outside less inside) over the
    surround's light, the spread of light between it and the outline over the outline's step, and in
    what part of the side it is seen."""

    depth: float
    step: float
    spread: float
    along: float
    is_back: bool = False
    """Whether light steps back there: what lies between is lighter, or darker, than both sides."""

    def is_like(self, other: Inner, step: float) -> bool:
        """Whether the opposite side's edge may be that of one thing around the die, their steps of
        light no more than the ratio `step` apart."""
        return (
            1 / ALIKE < self.depth / other.depth < ALIKE
            and 1 / step < self.step / other.step < step
            and other.spread < self.spread + LESS_EVEN
        )


@dataclass(frozen=True)
class Rivals:
    """What else the rim may be: `unsure` (px, for top, right, bottom, left) is how far within a side an
    edge lies that its opposite has not; `margin` how far within two opposite sides, beyond the width of
    a street and a bare margin, another edge lies, 0 for none; `rough`, which sides stray from
    straightness as no saw cut does; `beyond` (px), how far outward of a side another edge is seen;
    `melted` (px), how far inward of it the cut may be within a rise that is not one edge; `hidden`,
    whether a side's rise is so soft that it shows no edge of silicon."""

    unsure: tuple[float, float, float, float]
    margin: float
    rough: tuple[bool, bool, bool, bool] = (False, False, False, False)
    beyond: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    melted: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    hidden: bool = False
    rim: float = 0.0
    """Width, px, of a bare rim all around that is lighter, or darker, than both the die and what is
    around it, 0 for none: a street, or what the die lies on."""

    @property
    def show_both(self) -> bool:
        """Whether a second edge is seen within a side across and one down: both of a thing that lies
        moved over the die."""
        seen = [far > 0 and not flag for far, flag in zip(self.unsure, self.rough, strict=True)]
        return (seen[0] or seen[2]) and (seen[1] or seen[3])


def which_edge(rivals: Rivals, sides: tuple[int, int]) -> list[Contribution]:
    """Either edge of a side may be the cut: an interval of twice their distance, evenly filled."""
    deep = [
        far
        for n in sides
        if (far := max(rivals.unsure[n], rivals.beyond[n], rivals.melted[n], rivals.rim))
    ]
    if not deep:
        return []
    return [Contribution("which edge is the cut", sum(deep) / math.sqrt(3), scope="setting")]


def said_of(rivals: Rivals) -> list[str]:
    """What must be said of them, in plain words."""
    names = ("top", "right", "bottom", "left")
    out = []
    rough = [name for name, flag in zip(names, rivals.rough, strict=True) if flag]
    if rough:
        out.append(
            f"the {', '.join(rough)} of the outline strays from straightness as no saw cut does: glue"
            " or a broken rim may have been taken for the die's edge; the uncertainty holds it"
        )
    beyond = [
        f"{name} ({far:.0f} px beyond)"
        for name, far in zip(names, rivals.beyond, strict=True)
        if far
    ]
    if beyond:
        out.append(
            f"another edge runs close along the {', '.join(beyond)}: a seal ring may have been taken"
            " for the die's edge; the uncertainty holds it"
        )
    wide = [name for name, far in zip(names, rivals.melted, strict=True) if far]
    if wide:
        out.append(
            f"the edge at the {', '.join(wide)} is no single one as sharp as those within the die: a"
            " penumbra, a ring or a bevel melts into it; the uncertainty holds it"
        )
    if rivals.rim:
        out.append(
            f"a bare rim of {rivals.rim:.0f} px runs all around, unlike both the die and what is around"
            " it: a street of the die, or what the die lies on; the uncertainty holds both"
        )
    second = [
        f"{name} ({depth:.0f} px within)"
        for name, depth, flag in zip(names, rivals.unsure, rivals.rough, strict=True)
        if depth and not flag
    ]
    if second:
        out.append(
            f"a second edge runs along the {', '.join(second)} and none like it along the opposite"
            " side: a shadow or a reflection may have been taken for the die; the uncertainty holds"
            " that"
        )
    return out


def find_rivals(
    grey: FloatImage, starts: Sequence[Start], strays: Sequence[float], shorter: float,
    sharp_px: float | None,
) -> Rivals:  # fmt: skip
    """Edges within the outline that is fitted to a picture (height, width) of linear light.

    `starts` are its sides (top, right, bottom, left), `strays` the standard deviations (px) of their
    pieces from a smooth line, `shorter` the shorter side, px. `sharp_px` is the blur (standard
    deviation) of sharp edges, None where it cannot be told.
    """
    rough = [stray > max(ROUGH_PX, ROUGH_SHARE * shorter) for stray in strays]
    looked = [_within(grey, start, DEEPEST * shorter) for start in starts]
    close = [close_edges(grey, start) for start in starts]
    cuts = WhereCut() if sharp_px is None else where_cuts(grey, starts, sharp_px)
    looked = [
        (own, _with_close(inner, near)) for (own, inner), near in zip(looked, close, strict=True)
    ]
    unsure = [0.0] * 4
    for least, step in ((PARTLY, ALIKE_STEP), (ALL_ALONG, SAME_STEP)):
        for n, (own, inner) in enumerate(looked):
            other_own, others = looked[(n + 2) % 4]
            # a shadow falls on two sides that meet, and is darker or lighter than the surround: there
            # the beginning of a row of pads at the opposite side is no match
            beside = max(unsure[n - 1], unsure[(n + 1) % 4]) > 0
            if (
                least > PARTLY
                and not beside
                and max(own, other_own) < OTHER_STEP * min(own, other_own)
            ):
                continue
            faint = own < FAINT * other_own
            for edge in inner:
                if (
                    edge.along < ALL_ALONG
                    or edge.spread > EVEN
                    or edge.depth > 2 * STREET * shorter
                ):
                    continue
                stronger = faint and abs(edge.step) > own
                like = any(one.along >= least and edge.is_like(one, step) for one in others)
                if rough[n] or stronger or not like:
                    unsure[n] = max(unsure[n], edge.depth)
    unsure = [
        max(far, OF_STRAY * stray) if flag else far
        for far, stray, flag in zip(unsure, strays, rough, strict=True)
    ]
    deep = [
        min((e for e in inner if e.along >= ALL_ALONG and e.depth > STREET * shorter),
            key=lambda e: e.depth, default=None)
        for _, inner in looked
    ]  # fmt: skip
    melted = cuts.melted
    if (
        any(far and not flag for far, flag in zip(unsure, rough, strict=True))
        and sharp_px is not None
    ):
        melted = tuple(max(far, PENUMBRA * sharp_px) for far in melted)
    unsure = list(map(max, unsure, cuts.alone))
    margin = 0.0
    for one, other in ((deep[0], deep[2]), (deep[1], deep[3])):
        # fingers of a package may stand on the margins of the other two sides
        if (
            one
            and other
            and one.is_like(other, ALIKE_STEP)
            and max(one.spread, other.spread) < BARE
        ):
            margin = max(margin, min(one.depth, other.depth))
    return Rivals(
        _four(unsure), margin,
        (rough[0], rough[1], rough[2], rough[3]),
        _four(max(one.beyond, far) for one, far in zip(close, cuts.outward, strict=True)),
        _four(melted), any(cuts.hidden), _rim([inner for _, inner in looked], shorter),
    )  # fmt: skip


def _rim(within: Sequence[Sequence[Inner]], shorter: float) -> float:
    """Width of a rim that is bare, all around, and not surely a part of the die; 0 for none."""
    sides = [
        next((e for e in inner
              if e.is_back and e.along >= ALL_ALONG and e.spread < BARE
              and max(RIM * shorter, RIM_PX) < e.depth <= STREET * shorter), None)
        for inner in within
    ]  # fmt: skip
    top, right, bottom, left = sides
    if not (top and right and bottom and left):
        return 0.0
    if not (top.is_like(bottom, ALIKE_STEP) and right.is_like(left, ALIKE_STEP)):
        return 0.0
    return max(one.depth for one in (top, right, bottom, left))


def _four(values: Iterable[float]) -> tuple[float, float, float, float]:
    top, right, bottom, left = values
    return top, right, bottom, left


def _with_close(inner: Sequence[Inner], close: CloseEdges) -> list[Inner]:
    """Edges within a side, and those too close to it to be told by their own tops."""
    more = [
        Inner(depth, step, 0.0, along)
        for depth, step, along in close.within
        if along > PARTLY and all(abs(edge.depth - depth) > NEAREST_PX for edge in inner)
    ]
    return sorted([*inner, *more], key=lambda edge: edge.depth)


def _within(grey: FloatImage, start: Start, reach: float) -> tuple[float, list[Inner]]:
    """The outline's own step at a side, and the edges within it, the nearest first."""
    half = 0.46 * start.length
    t = np.linspace(-half, half, PIECES * max(2, round(2 * half / PIECES)))
    across = np.arange(-reach - 4.0, 8.0, STEP_PX)
    at = start.places(t, across)
    x, y = np.moveaxis(at.astype(np.float32), -1, 0)
    values = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    pieces = values.reshape(PIECES, -1, across.size).mean(axis=1).astype(np.float64)
    place = t.reshape(PIECES, -1).mean(axis=1)
    steps = _steps(pieces)
    ground = max(float(np.median(pieces[:, -4:])), 1e-6)
    outward = _own_step(steps, across)
    own = abs(outward) / ground
    out = []
    for n in _tops(np.median(np.abs(steps), axis=0)):
        depth = -float(across[n])
        if not NEAREST_PX < depth < reach:
            continue
        long_enough = np.abs(place) < start.length / 2 - depth - 4.0
        if long_enough.sum() < PIECES // 4:
            continue
        here = steps[long_enough, n]
        middle = float(np.median(here))
        along = float(np.mean(here * np.sign(middle) > 0.5 * abs(middle)))
        if along < PARTLY or abs(middle) / ground < LEAST_SHARE * own:
            continue
        between = (across > -depth + 3.0) & (across < -3.0)
        lit = pieces[np.ix_(long_enough, between)]
        uneven = float(lit.std()) / max(own * ground, 1e-6) if lit.size else 0.0
        out.append(Inner(depth, middle / ground, uneven, along, middle * outward < 0))
    return own, sorted(out, key=lambda edge: edge.depth)


def _steps(pieces: Array) -> Array:
    """Light some px outward less light some px inward, at each place of the profiles."""
    soft = cv2.blur(pieces, (round(2.0 / STEP_PX), 1), borderType=cv2.BORDER_REPLICATE)
    away = round(2.0 / STEP_PX)
    out = np.zeros_like(soft)
    out[:, away:-away] = soft[:, 2 * away :] - soft[:, : -2 * away]
    return out


def _own_step(steps: Array, across: Array) -> float:
    near = np.median(steps[:, np.abs(across) < NEAREST_PX], axis=0)
    return float(near[np.abs(near).argmax()])


def _tops(size: Array) -> list[int]:
    return [
        n for n in range(1, size.size - 1) if size[n] >= size[n - 1] and size[n] > size[n + 1]
    ]  # fmt: skip
