"""The outline of a die to a fraction of a px: four robust straight lines in undistorted coordinates.

The edge that is meant is the outermost one, where the die ends against its surround: the saw cut.
Each side is cut into pieces; a piece is laid over the side's median profile by least squares, and the
profile itself is placed at the middle of its rise. The bow that the four sides have in common tells
the lens's distortion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from glassay.die.cut_corners import cut_corners, is_of_two
from glassay.die.going_on import go_on
from glassay.die.nested import LEAST_STEP, STEP_PX, Start, steps_beyond
from glassay.die.outline import Outline, directions_of
from glassay.die.rivals import STREET, Rivals, find_rivals, said_of, which_edge
from glassay.die.sharpness import sharpest_blur
from glassay.die.silhouette import Silhouette
from glassay.distortion import HIGHER_ORDER_PASSES, Frame, higher_orders, posterior
from glassay.errors import NotMeasurable
from glassay.fitting import chain_inflation, crossing, scatter, spread, trimmed_fit
from glassay.imaging.tone import FloatImage
from glassay.quantity import Contribution, Quantity

Array = npt.NDArray[np.float64]

PIECES = 64
"""Pieces into which a side is cut; wires cross some of them."""

FEWEST_PIECES = 12
"""A side and its bow have three unknowns: four pieces for each."""

LEAST_SUPPORT = 0.5
"""Part of the pieces of a side in which its edge must be seen. Bond wires cross up to a third."""

CORNER = 0.04
"""Part of a side left out at each end: corners are rounded, chipped, or hold marks."""

LOBE = 0.15
"""Part of the steepest change down to which the rise of an edge is followed."""

CORE = 0.4
"""The edge is at the middle of what is steeper than this part of its steepest: its feet are drawn out
by shadows, by what lies close, and by wires that cross it."""

SMOOTH_PX = 0.7
"""Smoothing of a side's median profile before its rises are told apart: more hides a cut 5 px from a
seal ring."""

LARGER = 1.05
"""Steepness over that of the outermost rise from which another edge begins within it: that of a seal
ring, close within a faint cut."""

UNLIKE = 6.0
"""Ratio between the contrasts of the four sides beyond which they are not one outline. Uneven light
makes 1.5, oblique light 3."""

ALIKE = 0.75
"""Correlation of a piece with the side's rise from which the edge is seen in it."""

PLACED_PX = 0.06
PLACED_SHARE = 0.03
"""Standard uncertainty of where in its rise an edge is, px and part of the rise's width: a rise has
no even shape where a bevel or a second edge lies close."""

FEIGNED = 3.0
"""How far along a side that strays its edge may be off, in standard deviations of its pieces: what
bows by b t^2 has one of b / 3.4 (derived)."""


RISE_BLURS = 2.563
"""Width of a Gaussian's rise (10 to 90 %) in its standard deviations."""

MOST_NESTED = 3
"""Edges around a die, one within the other, that are gone through outward."""


@dataclass(frozen=True)
class _Side:
    """Pieces of a side: `points` (n, 2) px of the photo, the direction `normal` outward, `rise_px` the
    width of the rise (10 to 90 %), what part of the pieces was seen, change of light there."""

    points: Array
    normal: Array
    rise_px: float
    support: float
    contrast: float


def fit_outline(
    grey: FloatImage, rough: Silhouette, frame: Frame, flat: bool = False, bare: bool = False
) -> Outline:
    """The outline near `rough` in a picture (height, width) of linear light; `flat` states that there
    is no distortion (a mosaic), `bare` that nothing within the die is drawn: how sharp the picture is,
    its sharpest side then tells. Raises `NotMeasurable` when a side cannot be followed."""
    axes, middle = rough.axes, np.array(rough.middle)
    half = (rough.width / 2, rough.height / 2)
    starts = [
        Start(middle + sign * half[axis] * axes[axis], axes[1 - axis], sign * axes[axis], 0.0,
               2 * half[1 - axis])
        for axis, sign in ((1, -1), (0, 1), (1, 1), (0, -1))
    ]  # fmt: skip
    for reach in (2.5 * rough.coarse_px + 6, 1.2 * rough.coarse_px + 6):
        sides, starts = _sides(grey, starts, reach)
    for _ in range(MOST_NESTED):
        beyond = steps_beyond(grey, starts, STREET * 2 * min(half))
        if beyond is None:
            break
        starts = [start.moved(by) for start, by in zip(starts, beyond, strict=True)]
        sides, starts = _sides(grey, starts, max(6.0, 0.3 * max(beyond)))
    contrasts = [side.contrast for side in sides]
    if max(contrasts) > UNLIKE * min(contrasts):
        raise NotMeasurable(
            "the sides of the die show edges of different contrast, so that which of them is its"
            " outline cannot be told"
        )
    if go_on(grey, starts):
        raise NotMeasurable(
            "the edges found go on beyond the corners, as the streets between the dies of a wafer do"
            " that is not sawn: a die has no outline there; set it by hand"
        )
    own_px = min(side.rise_px for side in sides) / RISE_BLURS
    sharp_px = own_px if bare else sharpest_blur(grey, starts)
    rivals = find_rivals(grey, starts, [_stray(side) for side in sides], 2 * min(half), sharp_px)
    if not rivals.show_both and is_of_two(cut_corners(grey, starts, sharp_px or own_px)):
        raise NotMeasurable(
            "two corners of the outline that lie across from each other are cut out, as where two like"
            " rectangles lie moved over each other: a shadow, a glow or a reflection stands out with"
            " the die; light it evenly, or set the outline by hand"
        )
    if rivals.margin:
        raise NotMeasurable(
            f"{rivals.margin:.0f} px within the outline, beyond a bare margin, another rectangle"
            " stands: the outline may be that of what the die lies on; draw a box close around the die"
        )
    if rivals.hidden:
        raise NotMeasurable(
            "light changes along a side of the die far more slowly than at the edges within it: a"
            " shadow or a glow hides where the die ends; light it evenly, or set the outline by hand"
        )
    return _joined(sides, frame, flat, rivals)


def _sides(grey: FloatImage, starts: list[Start], reach: float) -> tuple[list[_Side], list[Start]]:
    found, again = [], []
    for start in starts:
        side, foot, way, bend = _side(
            grey, start.foot, start.outward, start.way, start.bend, start.length, reach
        )
        found.append(side)
        again.append(Start(foot, way, side.normal, bend, start.length))
    return found, again


def _side(
    grey: FloatImage, foot: Array, outward: Array, along: Array, bend: float, length: float,
    reach: float,
) -> tuple[_Side, Array, Array, float]:  # fmt: skip
    """One side about the parabola through `foot` along `along` (deviation `bend` t^2 outward)."""
    normal = np.array([-along[1], along[0]])
    normal = normal if float(normal @ outward) > 0 else -normal
    each = max(2, math.floor(length * (1 - 2 * CORNER) / PIECES))
    count = min(PIECES, math.floor(length * (1 - 2 * CORNER) / each))
    t = (np.arange(count * each) - (count * each - 1) / 2) * (
        length * (1 - 2 * CORNER) / (count * each)
    )
    across = np.arange(-reach, reach + STEP_PX / 2, STEP_PX)
    base = foot + t[:, None] * along + (bend * t**2)[:, None] * normal
    at = base[:, None, :] + across[None, :, None] * normal
    x, y = np.moveaxis(at.astype(np.float32), -1, 0)
    values = cv2.remap(grey, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    inside = (at >= 0).all(axis=2) & (at <= np.array(grey.shape[::-1]) - 1.0).all(axis=2)
    pieces = values.astype(np.float64).reshape(count, each, -1).mean(axis=1)
    whole = inside.reshape(count, each, -1).all(axis=(1, 2))
    place = t.reshape(count, each).mean(axis=1)
    if whole.sum() < FEWEST_PIECES:
        raise NotMeasurable("the die's outline lies too close to the picture's border")
    pieces, place = pieces[whole], place[whole]
    shifts, seen, rise, contrast = _placed(pieces, across)
    if seen.mean() < LEAST_SUPPORT or seen.sum() < FEWEST_PIECES:
        raise NotMeasurable(
            f"a side of the die cannot be followed: its edge is seen in {seen.mean():.0%} of its length"
        )
    s, offset = place[seen], shifts[seen]
    middle = float(np.median(offset))
    good = np.abs(offset - middle) < 5 * spread(offset) + 1.0
    fit = trimmed_fit(np.stack([np.ones_like(s), s, s**2], axis=1)[good], offset[good],
                      limit=lambda away: 3.5 * scatter(away) + 0.05)  # fmt: skip
    kept = np.flatnonzero(good)[fit.kept]
    a, b, c = fit.solution
    points = foot + s[kept, None] * along + (bend * s[kept] ** 2 + offset[kept])[:, None] * normal
    support = float(kept.size) / count
    side = _Side(points, np.asarray(normal), rise, support, contrast)
    new_along = along + b * normal
    return side, foot + a * normal, np.asarray(new_along / np.hypot(*new_along)), bend + float(c)


def _placed(pieces: Array, across: Array) -> tuple[Array, npt.NDArray[np.bool_], float, float]:
    """Where each piece's edge lies (px outward), in which it is seen, width of the rise, contrast."""
    light = np.median(pieces, axis=0)
    soft = cv2.GaussianBlur(light[None].astype(np.float64), (0, 0), SMOOTH_PX / STEP_PX,
                            borderType=cv2.BORDER_REPLICATE)[0]  # fmt: skip
    change = np.gradient(soft, across)
    top, low, high = _outermost(soft, change, across)
    slope = np.gradient(light, across)
    lobe = slice(low, high + 1)
    weight = np.clip(slope[lobe] * np.sign(change[top]), 0, None)
    core = np.clip(weight - CORE * float(weight.max()), 0, None)
    centre = float((core * across[lobe]).sum() / core.sum())
    sigma = float(weight.sum()) * STEP_PX / float(weight.max()) / math.sqrt(2 * math.pi)
    pad = max(2, round(0.6 * (high - low)))
    window = slice(max(0, low - pad), min(across.size, high + pad + 1))
    model = light[window]
    design = np.stack([slope[window], model - model.mean(), np.ones_like(model)], axis=1)
    shifts, alike = np.empty(len(pieces)), np.empty(len(pieces))
    solve = np.linalg.pinv(design)
    for n, piece in enumerate(pieces):
        part = piece[window]
        shifts[n] = -float((solve @ part)[0])
        gain = float((solve @ part)[1])
        shifts[n] /= max(gain, 0.2)
        alike[n] = float(np.corrcoef(part, model)[0, 1]) if part.std() > 0 else 0.0
    contrast = abs(float(soft[low] - soft[high])) / max(float(soft[high]), 1e-6)
    seen = (alike > ALIKE) & (np.abs(shifts) < 1.5 * (high - low) * STEP_PX)
    return centre + shifts, seen, RISE_BLURS * sigma, contrast


def _outermost(soft: Array, change: Array, across: Array) -> tuple[int, int, int]:
    """The first rise that is met from the surround: its steepest place and its two feet."""
    outer = soft[-max(4, soft.size // 10) :]
    level = max(float(np.median(outer)), 1e-6)
    quiet = float(np.abs(np.diff(outer)).max(initial=0.0)) / STEP_PX
    size = np.abs(change)
    tops = [
        n for n in range(1, size.size - 1)
        if size[n] >= size[n - 1] and size[n] > size[n + 1]
    ]  # fmt: skip
    for top in reversed(tops):
        sign = np.sign(change[top])
        low, high = top, top
        while (
            low > 0
            and sign * change[low - 1] > LOBE * size[top]
            and (size[low - 1] < size[low] or 0.7 < size[low - 1] / size[top] < LARGER)
        ):
            low -= 1
        while high + 1 < size.size and sign * change[high + 1] > LOBE * size[top]:
            high += 1
        step = abs(float(soft[low] - soft[high]))
        if step > LEAST_STEP * level and size[top] > 3 * quiet:
            return top, low, high
    raise NotMeasurable(
        "a side of the die cannot be followed: it shows no contrast with the surround"
    )


def _joined(sides: list[_Side], frame: Frame, flat: bool, rivals: Rivals) -> Outline:
    distortion, k1, u_k = (None, 0.0, 0.0) if flat else _bow(sides, frame, rivals)
    straight = [replace(side, points=frame.undistorted(side.points, k1)) for side in sides]
    lines = [_line(side) for side in straight]
    top, right, bottom, left = ((point, way) for point, way, _ in lines)
    corners = np.array([crossing(top, left), crossing(top, right), crossing(bottom, right),
                        crossing(bottom, left)])  # fmt: skip
    across, down, turns, tilt, notes = directions_of(corners)
    notes += said_of(rivals)
    size = []
    for pair, mine in ((across, (1, 3)), (down, (0, 2))):
        ends = [lines[n][2] for n in mine]
        placed = [PLACED_PX + PLACED_SHARE * sides[n].rise_px for n in mine]
        both = [math.hypot(*v) for v in pair]
        length = sum(both) / 2
        square = float(frame.square(np.concatenate([straight[n].points for n in mine])).mean())
        parts = (
            Contribution("scatter along the sides", math.hypot(*ends), scope="exposure"),
            Contribution("place within the rise of an edge", math.hypot(*placed), scope="capture"),
            Contribution("distortion", u_k * square * length, scope="setting"),
            Contribution(
                "opposite sides differ", abs(both[0] - both[1]) / math.sqrt(12), scope="capture"
            ),
            *which_edge(rivals, mine),
        )
        size.append(Quantity(length, "px", parts))
    u_tilt = max(float(np.ptp(turns)) / math.sqrt(12), 0.1 / max(one.value for one in size))
    shortest = min(side.rise_px for side in sides)
    supports = (sides[0].support, sides[1].support, sides[2].support, sides[3].support)
    return Outline(
        corners, size[0], size[1],
        Quantity(math.degrees(tilt), "deg", (
            Contribution("directions of the four sides", math.degrees(u_tilt), scope="capture"),)),
        frame, k1, distortion, shortest / RISE_BLURS, supports, tuple(notes),
    )  # fmt: skip


def _stray(side: _Side) -> float:
    """Standard deviation of a side's pieces from a parabola, px."""
    place = side.points - side.points.mean(axis=0)
    along, off = place @ np.array([-side.normal[1], side.normal[0]]), place @ side.normal
    return float(np.std(off - np.polyval(np.polyfit(along, off, 2), along)))


def _bow(sides: list[_Side], frame: Frame, rivals: Rivals) -> tuple[Quantity | None, float, float]:
    """Distortion that makes all four sides straight: the value used, and its standard uncertainty.

    x (1 + higher) = x_u + k x r_d^2, and a side is x_u . n = a + b t, linear in all unknowns. A side
    counts by how far its edge may be off along it: in a soft picture a row of pads pulls the middle of
    a side and not its ends, and that is no bow of the lens.
    """
    wander = [
        (PLACED_PX + PLACED_SHARE * side.rise_px + (FEIGNED * _stray(side) if rough else 0.0))
        / frame.half_diagonal
        for side, rough in zip(sides, rivals.rough, strict=True)
    ]
    weights = [min(wander) / off for off in wander]
    target, rows = [], []
    for number, side in enumerate(sides):
        place = frame.from_axis(side.points)
        along = np.array([-side.normal[1], side.normal[0]])
        t, off = place @ along, place @ side.normal
        line = np.zeros((len(place), 9))
        line[:, 2 * number], line[:, 2 * number + 1] = 1.0, t
        line[:, 8] = off * (place**2).sum(axis=1)
        rows.append(line)
        target.append(np.stack([off, (place**2).sum(axis=1)], axis=1))
    design, values = np.concatenate(rows), np.concatenate(target)
    weight = np.repeat(weights, [len(line) for line in rows])
    k = 0.0
    for _ in range(HIGHER_ORDER_PASSES):
        fit = trimmed_fit(design * weight[:, None],
                          weight * values[:, 0] * (1 + higher_orders(k, values[:, 1])),
                          limit=lambda away: 3.5 * scatter(away) + 1e-6)  # fmt: skip
        k = float(fit.solution[8])
    rest = fit.residuals[fit.kept]
    r = float(np.corrcoef(rest[1:], rest[:-1])[0, 1]) if rest.size > 8 else 0.0
    u = math.sqrt(float(fit.covariance[8, 8]) * chain_inflation(r, rest.size))
    # an edge need not be off by the same all along it: that bows a side too, by as much in its middle
    # against its ends; off (t^2) changes by so much over half a side
    bows = [
        float(np.quantile(np.abs(line[:, 8]), 0.98) - np.abs(line[:, 8]).min()) for line in rows
    ]
    told = sum((bow / off) ** 2 for bow, off in zip(bows, wander, strict=True))
    u = math.hypot(u, 1 / math.sqrt(max(told, 1e-12)))
    if abs(k) > 3 * u:
        seen = Contribution("bow of the four sides", 100 * u, scope="setting")
        return Quantity(100 * k, "%", (seen,)), k, u
    return None, 0.0, posterior(k, u)


def _line(side: _Side) -> tuple[Array, Array, float]:
    """A point, the direction, and the standard uncertainty of the place of its middle."""
    middle = side.points.mean(axis=0)
    way = np.linalg.svd(side.points - middle)[2][0]
    normal = np.array([-way[1], way[0]])
    off = (side.points - middle) @ normal
    r = float(np.corrcoef(off[1:], off[:-1])[0, 1]) if off.size > 8 and off.std() > 0 else 0.0
    u = math.sqrt(
        float((off**2).sum()) / max(1, off.size - 2) / off.size * chain_inflation(r, off.size)
    )
    return middle, np.asarray(way), u
