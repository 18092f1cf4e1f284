"""Where the numerals of a bar target stand, and what they say about elements and groups."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from glassay.detail.bars_contrast import read_contrast
from glassay.detail.bars_fit import Site, fit_bars
from glassay.detail.bars_layout import Frame, Layout, Pair, width_of
from glassay.detail.bars_numerals import NUMERAL_WIDTHS, Reading, Region, read_numeral
from glassay.imaging.tone import FloatImage

Float = npt.NDArray[np.float64]

GROUPS = tuple(range(-2, 10, 2))
"""Even groups that a layer may begin with: 0.25 lp/mm to 456 lp/mm. A minus sign may be missed, so
that a numeral stands for the group of that number on either side of zero: its neighbours decide."""

LIKE = 0.55
"""Least likeness of the best numeral for what was found to count as one."""

LIKE_GROUP, LEAD = 0.75, 0.1
"""Least likeness of a group's numeral, and its lead over the next numeral. A blurred 3 came out as 1
with a lead of 0.07, an 8 before a 5 with 0.02, a fragment of a 6 as 7 with a likeness of 0.67."""

UNLIKE = 0.2
"""How far the numeral that a group would have must stay behind to speak against that group: the most
by which blur put another one before the true one is 0.1."""

LEAST_AGREEING, UNCLEAR = 1.5, 0.5
"""Numerals that must agree on the group, less those that disagree, and for how much of one a numeral
counts that is the likeliest but does not lead clearly: one clear numeral at least, and a second one,
and one more than any other group has.
Whatever number stands above one column (a serial, a date) would else make a group, and each step of two
is a factor of four."""

LEAST_BESIDE = 2.0
"""Clear numerals beside elements, less those that contradict, without which what stands above the
columns is not believed: every group of MIL-STD-150A has its elements numbered. Whole targets of
`make attack` have 6 to 10; bars amid digits at random, of which 6 and 7 stood over the columns, 0 and,
with a 2 beside the second element, 1."""

GROUP_HEIGHTS = (1.4, 4.4)
"""Height of a group's numeral in bar widths of the layer's largest element (common practice, no
source: 1.7 to 3.6, and what blur adds)."""


def element_scores(image: FloatImage, pairs: Sequence[Pair], frame: Frame, bright: bool) -> Float:
    """How well the numerals beside the elements agree with each offset of the series, (12,).

    An element whose numeral is clear adds up to 1 to the offsets that agree with it.
    """
    scores = np.zeros(12)
    for pair in pairs:
        readings = _beside(image, pair, frame)
        if not readings:
            continue
        likeness = max((r.likeness[1:7] for r in readings), key=lambda v: float(v.max()))
        if likeness.max() < LIKE:
            continue
        lead = np.clip((likeness - np.sort(likeness)[-2]) / 0.2, -1, 1)
        for offset in range(12):
            scores[offset] += float(lead[(pair.step + offset) % 6])
    return scores


def _beside(image: FloatImage, pair: Pair, frame: Frame) -> list[Reading]:
    # Lengths are in px down the target; along its rows a px may be another length.
    level, down = pair.level, np.array(frame.down)
    stretch = pair.upright.period / level.period
    right = np.array(frame.right) * stretch
    width = level.period / 2
    size = np.array([6.0, 9.0]) * width
    outer = -2.5 * width - size[0] if pair.level_left else 2.5 * width
    corner = np.array([level.x, level.y]) + outer * right - size[1] / 2 * down
    heights = (NUMERAL_WIDTHS[0] * width, NUMERAL_WIDTHS[1] * width)
    return _read(image, right, down, corner, size, heights, _level_site(pair, frame))


def _level_site(pair: Pair, frame: Frame) -> Site:
    t = pair.level
    return Site(t.x, t.y, frame.down, frame.right, t.period, 2.5 * t.period)


def _read(
    image: FloatImage, right: Float, down: Float, corner: Float, size: Float,
    heights: tuple[float, float], beside: Site,
) -> list[Reading]:  # fmt: skip
    fit, light = fit_bars(image, beside), read_contrast(image, beside)
    if fit is None or light is None:
        return []
    ink = light.bar
    region = Region(
        (float(corner[0]), float(corner[1])), (float(right[0]), float(right[1])),
        (float(down[0]), float(down[1])), float(size[0]), float(size[1]), heights,
    )  # fmt: skip
    return read_numeral(image, region, ink - fit.amplitude, ink, fit.blur)


def read_group(image: FloatImage, layout: Layout) -> tuple[int | None, tuple[str, ...]]:
    """The even group of layer 0 by the group numerals, or None unless two agree, one of them clear,
    and the elements are numbered.

    Also returns what was read where, in words.
    """
    votes = np.zeros(len(GROUPS))
    words, clear = [], False
    for layer, side, readings in _group_labels(image, layout):
        alike = [r for r in readings if r.likeness.max() >= LIKE]
        if len(alike) != 1 or alike[0].likeness.max() < LIKE_GROUP:
            continue  # none, or one of several: not what stands at a column's head
        reading = alike[0]
        leads = bool(np.diff(np.sort(reading.likeness)[-2:])[0] >= LEAD)
        place = "element 1" if side == "first" else f"the {side} column"
        doubt = "" if leads else ", unclear,"
        words.append(f"{reading.best}{doubt} at {place} of layer {layer + 1}")
        ahead = 2 * layer + (1 if side == "right" else 0)
        votes += [_vote(reading, abs(first + ahead), leads) for first in GROUPS]
        clear |= leads
    second, best = np.sort(votes)[-2:]
    if not clear or best < LEAST_AGREEING or best - second < 1:
        return None, tuple(words)
    if not _are_numbered(image, layout):
        return None, (*words, "but beside the elements no numerals of theirs")
    return GROUPS[int(votes.argmax())], tuple(words)


def _are_numbered(image: FloatImage, layout: Layout) -> bool:
    """Whether beside the elements stand the numerals that belong to them."""
    index, pair = layout.pairs[0]
    scores = element_scores(image, [p for _, p in layout.pairs], layout.frame, layout.bright)
    return bool(scores[(index - pair.step) % 12] >= LEAST_BESIDE)


def _vote(reading: Reading, numeral: int, leads: bool) -> float:
    """How much what was read speaks for this numeral (above 0) or against it."""
    if reading.best == numeral:
        return 1.0 if leads else UNCLEAR
    alike = reading.likeness[numeral] if numeral <= 9 else -1.0
    return 0.0 if alike > reading.likeness.max() - UNLIKE else -1.0


def _firsts(layout: Layout) -> set[tuple[int, str]]:
    return {(i // 12, "first") for i, _ in layout.pairs if i % 12 == 0}


def _block_places(layout: Layout, layer: int, side: str, top: int) -> list[Float]:
    """Where the upright and the level block of a column's first element are."""
    if side == "first":
        return [
            np.array([t.x, t.y])
            for i, p in layout.pairs if i == top for t in (p.upright, p.level)
        ]  # fmt: skip
    laws = [layout.laws.get((layer, side, kind)) for kind in ("upright", "level")]
    return [law[0] + law[1] * width_of(top) for law in laws if law is not None]


def _group_labels(image: FloatImage, layout: Layout) -> list[tuple[int, str, list[Reading]]]:
    """What looks like a numeral above the columns, by layer and side."""
    down = np.array(layout.frame.down)
    stretch = float(np.median([p.upright.period / p.level.period for _, p in layout.pairs]))
    right = np.array(layout.frame.right) * stretch
    unit = float(np.median([p.level.period / 2 / width_of(i) for i, p in layout.pairs]))
    found = []
    for layer, side in sorted({key[:2] for key in layout.laws} | _firsts(layout)):
        top = 12 * layer + {"left": 1, "right": 6, "first": 0}[side]
        ends = _block_places(layout, layer, side, top)
        if len(ends) < 2:
            continue
        even, edge = unit * width_of(12 * layer), 2.5 * unit * width_of(top)
        middle = np.mean(ends, axis=0)
        reach = float(np.ptp([e @ right for e in ends])) / stretch**2 / 2 + edge + 1.5 * even
        if side == "first":  # its numeral stands above the level block, near the outer end
            middle, reach = ends[1] + 1.5 * edge * right, 1.6 * edge
        size = np.array([2 * reach, 5.6 * even])
        corner = middle - reach * right - (edge + 0.15 * even + size[1]) * down
        beside = min(
            (p for _, p in layout.pairs), key=lambda p: float(np.hypot(*(p.place - middle)))
        )
        heights = (GROUP_HEIGHTS[0] * even, GROUP_HEIGHTS[1] * even)
        site = _level_site(beside, layout.frame)
        if readings := _read(image, right, down, corner, size, heights, site):
            found.append((layer, side, readings))
    return found
