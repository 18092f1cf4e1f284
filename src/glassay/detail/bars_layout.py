"""Which triplet is which element: the order of a three-bar target, from sizes and places alone.

The target (MIL-STD-150A): elements have an upright and a level triplet side by side; frequency grows
by 2^(1/6) from element to element, six to a group. Two groups make a layer: elements 2 to 6 of the
even group stand in a column on the left, its element 1 at the lower right, elements 1 to 6 of the
odd group in a column on the right. The next layer is a quarter as large and stands within. Distances
between elements are not standardised; but as everything in a column shrinks alike, the place of an
element is a linear function of its bar width, and layers are copies about one fixed point.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from glassay.detail.bars_finding import Triplet
from glassay.errors import NotMeasurable

Float = npt.NDArray[np.float64]
RARELY_MIRRORED = 0.5
"""What speaks against a target seen from its back, in elements."""

NUMERALS_DECIDE = 4.0
"""Numerals are asked where the places of the elements favour one side by no more than this."""

Law = tuple[Float, Float]
Places = dict[tuple[int, str, str], list[tuple[float, Float]]]
STEP = 2 ** (1 / 6)
"""Ratio of neighbouring elements (MIL-STD-150A)."""

MIN_PAIRS = 4
"""Fewest elements (both triplets) that make a target; three parallel strokes side by side with three
others occur by chance, four such pairs in a series of 2^(1/6) do not."""

PAIR_DISTANCE = (2.9, 4.6)
"""Distance between the triplets of an element, in periods: 5 widths and a gap of 0.8 to 4.2."""

ROW_DISTANCE = (2.9, 6.5)
"""Distance to the next element of a column, in periods of the larger: likewise, with wider gaps."""

MAX_AXIS_RATIO = 1.25
"""Largest ratio of the two axes' scales: oblong pixels and oblique views."""

LATTICE_MISS = 0.3
"""Largest distance of an element from the series of 2^(1/6), in steps (a step is 12 %)."""


@dataclass(frozen=True)
class Pair:
    """An element as found: its triplets, its step in the series, and the side of the level one."""

    upright: Triplet
    level: Triplet
    step: int
    level_left: bool

    @property
    def place(self) -> Float:
        """Middle between the two triplets."""
        return np.array([self.upright.x + self.level.x, self.upright.y + self.level.y]) / 2


@dataclass(frozen=True)
class Frame:
    """The target's axes in the picture: unit vectors to the right and down the target.

    `mirrored` when the target is seen from its back.
    """

    right: tuple[float, float]
    down: tuple[float, float]
    mirrored: bool


@dataclass(frozen=True)
class Layout:
    """The order found: frame, elements by absolute step modulo 12, and the linear laws of places.

    `index` of an element is 6 x group + element - 1 counted from the even group of the layer that
    `first_layer` 0 stands for; `laws` maps (layer, side, kind) to (place at width 0, change with
    width), both in px, with widths in units of index 0.
    """

    frame: Frame
    pairs: tuple[tuple[int, Pair], ...]
    laws: dict[tuple[int, str, str], Law]
    bright: bool


Numerals = Callable[[Sequence[Pair], Frame, bool], Float]
NOT_FOUND = "no three-bar target was found"


def frequency_lp_mm(group: int, number: int) -> float:
    """Line pairs per mm of element `number` (1 to 6) of a group: 2^(group + (number - 1) / 6)
    (MIL-STD-150A)."""
    return float(2.0 ** (group + (number - 1) / 6))


def width_of(index: float) -> float:
    """Bar width of an element, in those of index 0."""
    return float(STEP**-index)


def arrange(triplets: Sequence[Triplet], numerals: Numerals | None = None) -> Layout:
    """The layout that the triplets form. Raises `NotMeasurable` with what is missing.

    `numerals`, given the pairs and the frame, returns twelve scores: how well the numerals beside
    the elements agree with each offset of the series, in numerals read.
    """
    if len(triplets) < 2 * MIN_PAIRS:
        raise NotMeasurable(NOT_FOUND)
    bright = sum(t.bright for t in triplets) * 2 >= len(triplets)
    row, side_by_side = _pair_up([t for t in triplets if t.bright == bright])
    in_series = _on_lattice(side_by_side)
    if len(in_series) < MIN_PAIRS:
        raise NotMeasurable(NOT_FOUND)
    frame, pairs = _orient(row, in_series)
    pairs = _largest_cluster(pairs)
    offset, frame, pairs = _series_start(pairs, frame, bright, numerals)
    placed = tuple(sorted(((pair.step + offset, pair) for pair in pairs), key=lambda p: p[0]))
    return Layout(frame, placed, _laws(placed), bright)


def _pair_up(triplets: Sequence[Triplet]) -> tuple[Float, list[tuple[Triplet, Triplet]]]:
    """Row direction, and the pairs (upright, level) that stand side by side along it."""
    found: list[tuple[float, float, Triplet, Triplet]] = []
    for level in triplets:
        for upright in triplets:
            crossing = abs(level.along[0] * upright.along[0] + level.along[1] * upright.along[1])
            ratio = upright.period / level.period
            if crossing > 0.2 or not 1 / MAX_AXIS_RATIO < ratio < MAX_AXIS_RATIO:
                continue
            dx, dy = upright.x - level.x, upright.y - level.y
            lengthwise = abs(dx * level.along[0] + dy * level.along[1])
            sideways = abs(dx * level.along[1] - dy * level.along[0])
            period = math.sqrt(upright.period * level.period)
            if (
                PAIR_DISTANCE[0] < lengthwise / period < PAIR_DISTANCE[1]
                and sideways < 0.5 * period
            ):
                angle = math.atan2(level.along[1], level.along[0])
                found.append((angle, sideways / period, upright, level))
    if not found:
        raise NotMeasurable(NOT_FOUND)
    doubled = np.array([2 * angle for angle, *_ in found])
    close = np.cos(doubled[:, None] - doubled) > math.cos(math.radians(12))
    best = int(close.sum(1).argmax())
    # Long bars know their direction best.
    weight = np.array([level.length**2 for *_, level in found])[close[best]]
    row_angle = float(np.angle((weight * np.exp(1j * doubled[close[best]])).sum())) / 2
    kept = [f for f, inside in zip(found, close[best], strict=True) if inside]
    return np.array([math.cos(row_angle), math.sin(row_angle)]), _one_to_one(kept)


def _one_to_one(
    found: Sequence[tuple[float, float, Triplet, Triplet]],
) -> list[tuple[Triplet, Triplet]]:
    used: set[int] = set()
    pairs = []
    for _, _, upright, level in sorted(found, key=lambda f: f[1]):
        if id(upright) not in used and id(level) not in used:
            used |= {id(upright), id(level)}
            pairs.append((upright, level))
    return pairs


def _on_lattice(pairs: Sequence[tuple[Triplet, Triplet]]) -> list[tuple[Triplet, Triplet, int]]:
    """Pairs whose periods belong to one series of 2^(1/6), with their step (0: the largest)."""
    if not pairs:
        return []
    place = np.array([-6 * math.log2(math.sqrt(u.period * v.period)) for u, v in pairs])
    weight = np.array([math.sqrt(u.period) for u, _ in pairs])
    best: tuple[float, Float, Float] | None = None
    for start in np.arange(0, 1, 0.05):
        miss = (place - start + 0.5) % 1 - 0.5
        score = float((weight * np.maximum(1 - (miss / LATTICE_MISS) ** 2, 0)).sum())
        if best is None or score > best[0]:
            best = (score, miss, place - miss)
    assert best is not None
    _, miss, snapped = best
    steps = np.rint(snapped - snapped.min()).astype(int)
    return [
        (u, v, int(step))
        for (u, v), m, step in zip(pairs, miss, steps, strict=True)
        if abs(m) < LATTICE_MISS
    ]


def _orient(row: Float, found: Sequence[tuple[Triplet, Triplet, int]]) -> tuple[Frame, list[Pair]]:
    """The target's axes: down is where the elements of a column shrink, right is to the finer
    column."""
    down = np.array([-row[1], row[0]])

    def level_ahead(upright: Triplet, level: Triplet) -> bool:
        return bool((level.x - upright.x) * row[0] + (level.y - upright.y) * row[1] > 0)

    votes = 0.0
    for u, v, step in found:
        for u2, v2, step2 in found:
            if step2 - step != 1 or level_ahead(u, v) != level_ahead(u2, v2):
                continue
            move = np.array([v2.x - v.x, v2.y - v.y]) / v.period
            if ROW_DISTANCE[0] < abs(move @ down) < ROW_DISTANCE[1] and abs(move @ row) < 1.5:
                votes += float(np.sign(move @ down))
    if votes == 0:
        raise NotMeasurable("the bars found do not stand in the columns of a three-bar target")
    down = down * np.sign(votes)
    right = np.array([down[1], -down[0]])
    pairs = []
    for u, v, step in found:
        to_level = (v.x - u.x) * right[0] + (v.y - u.y) * right[1]
        pairs.append(Pair(u, v, step, level_left=bool(to_level < 0)))
    frame = Frame((float(right[0]), float(right[1])), (float(down[0]), float(down[1])), False)
    return frame, pairs


def _seen_from_behind(pairs: Sequence[Pair], frame: Frame) -> tuple[Frame, list[Pair]]:
    turned = Frame((-frame.right[0], -frame.right[1]), frame.down, True)
    return turned, [Pair(p.upright, p.level, p.step, not p.level_left) for p in pairs]


def _largest_cluster(pairs: Sequence[Pair]) -> list[Pair]:
    """Pairs near the others: within some 30 periods of the largest seen; strays are dropped."""
    places = np.array([p.place for p in pairs])
    middle = np.median(places, axis=0)
    reach = 22 * max(math.sqrt(p.upright.period * p.level.period) for p in pairs)
    return [p for p, at in zip(pairs, places, strict=True) if np.hypot(*(at - middle)) < reach]


def _series_start(
    pairs: list[Pair], frame: Frame, bright: bool, numerals: Numerals | None
) -> tuple[int, Frame, list[Pair]]:
    """What to add to the steps so that index 0 is element 1 of an even group; frame and pairs, turned
    over if the target is seen from its back.

    Raises `NotMeasurable` when the elements in view leave this open.
    """
    views = [(frame, pairs), _seen_from_behind(pairs, frame)]
    scores = np.array([[_fitness(view, offset) for offset in range(12)] for view in views])
    scores[1] -= RARELY_MIRRORED
    close = scores.max(axis=1) > scores.max() - NUMERALS_DECIDE
    if numerals is not None:
        for k in np.flatnonzero(close):
            scores[k] += numerals(views[k][1], views[k][0], bright)
    order = np.argsort(scores, axis=None)[::-1]
    if scores.flat[order[0]] - scores.flat[order[1]] < 1.0:
        raise NotMeasurable(
            "the target is cut off: the elements in view do not tell which of the series they are"
        )
    view, offset = divmod(int(order[0]), 12)
    return offset, views[view][0], views[view][1]


def _fitness(view: tuple[Frame, Sequence[Pair]], offset: int) -> float:
    """How well the places of the elements agree with an offset of the series, in elements.

    Left columns hold indices 1 to 5 of 12, right ones 6 to 11 and, apart, 0.
    """
    frame, pairs = view
    score = 0.0
    for pair in pairs:
        at_left = side_of(pair.step + offset) == "left"
        score += 1.0 if pair.level_left == at_left else -1.0
    misplaced = _misplaced_first(pairs, offset, frame)
    return score - 2.0 * misplaced - 1.5 * _off_column(pairs, offset)


def _misplaced_first(pairs: Sequence[Pair], offset: int, frame: Frame) -> int:
    """How many elements 1 of even groups do not stand below their layer's right column, and how
    many right-column elements do."""
    down = np.array(frame.down)
    misplaced = 0
    for one in pairs:
        index = one.step + offset
        if one.level_left or index % 12:
            continue
        column = [
            p for p in pairs
            if not p.level_left and index + 6 <= p.step + offset <= index + 11
        ]  # fmt: skip
        if column:
            lowest = max(float(p.place @ down) for p in column)
            misplaced += int(float(one.place @ down) < lowest - one.level.period)
    return misplaced


def _off_column(pairs: Sequence[Pair], offset: int) -> int:
    """How many elements do not stand where the others of their column put them."""
    columns: dict[tuple[int, str], list[tuple[float, Float, float]]] = {}
    for pair in pairs:
        index = pair.step + offset
        key = index // 12, side_of(index)
        columns.setdefault(key, []).append((width_of(index), pair.place, pair.level.period))
    off = 0
    for members in columns.values():
        if len(members) >= 4:
            a, b = _line([w for w, *_ in members], [at for _, at, _ in members])
            off += sum(float(np.hypot(*(at - a - b * w))) > 0.6 * p for w, at, p in members)
    return off


def side_of(index: int) -> str:
    """Where an element stands: "left", "right", or "first" (element 1 of the even group)."""
    return "first" if index % 12 == 0 else "left" if index % 12 <= 5 else "right"


def _laws(placed: Sequence[tuple[int, Pair]]) -> dict[tuple[int, str, str], Law]:
    """For every layer, side and kind of triplet: place = a + b x width, least squares."""
    groups: Places = {}
    for index, pair in placed:
        for kind, t in (("upright", pair.upright), ("level", pair.level)):
            key = (index // 12, side_of(index), kind)
            groups.setdefault(key, []).append((width_of(index), np.array([t.x, t.y])))
    laws: dict[tuple[int, str, str], Law] = {}
    for key, points in groups.items():
        if len({w for w, _ in points}) >= 3:
            laws[key] = _line([w for w, _ in points], [p for _, p in points])
    centre = _fixed_point(groups, laws)
    if centre is not None:
        _carry_to_other_layers(centre, laws)
    return laws


def _line(widths: Sequence[float], places: Sequence[Float]) -> Law:
    basis = np.stack([np.ones(len(widths)), np.array(widths)], axis=1)
    at = np.array(places)
    weight = np.ones(len(at))
    for _ in range(3):
        terms = np.linalg.lstsq(basis * weight[:, None], at * weight[:, None], rcond=None)[0]
        rest = np.hypot(*(at - basis @ terms).T)
        sigma = max(float(np.median(rest)), 0.02)
        weight = 1 / np.maximum(rest / (3 * sigma), 1.0)
    return terms[0], terms[1]


def _fixed_point(groups: Places, laws: dict[tuple[int, str, str], Law]) -> Float | None:
    """The point about which every layer is the quarter-size copy of the one around it.

    An element at P in one layer and at Q in the next gives C = (4 Q - P) / 3. P is taken from the
    law of its column where there is one: P(4 w) = a + 4 b w.
    """
    found = []
    for (layer, side, kind), members in groups.items():
        outer = dict(groups.get((layer - 1, side, kind), []))
        law = laws.get((layer - 1, side, kind))
        for width, place in members:
            before = next((at for w, at in outer.items() if abs(w / width - 4) < 0.01), None)
            if law is not None:
                before = law[0] + 4 * width * law[1]
            if before is not None:
                found.append((4 * place - before) / 3)
    return np.asarray(np.median(found, axis=0)) if found else None


def _carry_to_other_layers(centre: Float, laws: dict[tuple[int, str, str], Law]) -> None:
    """Laws for the layers within those known, one beyond the finest: they share the change with
    width, P_inner(w) = C + (P_outer(4 w) - C) / 4 = (3 C + a) / 4 + b w."""
    layers = {layer for layer, *_ in laws}
    for layer in range(min(layers, default=0), max(layers, default=-1) + 1):
        for (_, side, kind), (a, b) in [(k, v) for k, v in laws.items() if k[0] == layer]:
            laws.setdefault((layer + 1, side, kind), ((3 * centre + a) / 4, b))
