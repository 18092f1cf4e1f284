"""A decapped chip as a microscope shows it, invented down to the last wire.

The floor plan is drawn once from the seed: a ring of pads with bond wires, a seal ring, memory
arrays, rows of logic, bundles of bus wiring, analogue plates and coils, marks for alignment, a
lettered corner, and a tiny heron.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from glassay.simulate.geometry import Image, Points
from glassay.simulate.heron import heron
from glassay.simulate.lettering import Font, add_lettering
from glassay.simulate.paint import View, band, blend, comb
from glassay.simulate.shapes import Boxes, Colour, Shape, box, disc, draw

Box = tuple[float, float, float, float]

SUBSTRATE: Colour = (0.20, 0.19, 0.24)
METAL: Colour = (0.74, 0.71, 0.30)
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


@dataclass(frozen=True)
class Die:
    """A chip of `width_um` x `height_um`, its middle at (0, 0).

    `feature_um` is the finest wire; everything else scales with it and the die. `wires` draws bond
    wires. `heron_um` is the side of the drawing. `memory_um` puts one memory of that size in the
    middle, among smaller blocks. Two dies with different seeds share no floor plan.
    """

    width_um: float = 1800.0
    height_um: float = 1400.0
    feature_um: float = 1.6
    pad_um: float = 70.0
    wires: bool = True
    heron_um: float = 90.0
    word: str = "PIER 7"
    seed: int = 0
    memory_um: tuple[float, float] | None = None

    def paint(self, view: View) -> Image:
        """See `Scene`."""
        picture = np.empty((*view.shape, 3), dtype=view.x.dtype)
        picture[:] = np.asarray(CAVITY, dtype=view.x.dtype)
        layout = _layout(self)
        picture = draw(view, picture, layout.shapes)
        for lattice in layout.lattices:
            _paint_lattice(view, picture, lattice)
        for word in layout.words:
            cover = np.zeros(view.shape, dtype=view.x.dtype)
            add_lettering(view, cover, word.text, word.middle_um, word.height_um, word.font)
            if cover.any():
                picture = blend(picture, cover, word.colour)
        return picture

    def marks_um(self) -> dict[str, Points]:
        """ "pads": their middles; "heron": its middle; "corners" of the die."""
        layout = _layout(self)
        w, h = self.width_um / 2, self.height_um / 2
        return {
            "pads": layout.pads,
            "heron": layout.heron,
            "corners": np.array([(-w, -h), (w, -h), (w, h), (-w, h)]),
        }

    @property
    def street_um(self) -> float:
        """Width of what the saw left of the street around the die."""
        return 0.35 * self.pad_um

    def facts(self) -> dict[str, float | str]:
        """Size within the street and as sawn, finest feature and pad pitch."""
        return {
            "die_width_um": self.width_um,
            "die_height_um": self.height_um,
            "sawn_width_um": self.width_um + 2 * self.street_um,
            "sawn_height_um": self.height_um + 2 * self.street_um,
            "feature_um": self.feature_um,
            "pad_pitch_um": _layout(self).pad_pitch_um,
        }


@dataclass(frozen=True, eq=False)
class _Layout:
    shapes: tuple[Shape | Boxes, ...]
    lattices: tuple[Lattice, ...]
    words: tuple[Lettering, ...]
    pads: Points
    pad_pitch_um: float
    heron: Points


@lru_cache(maxsize=8)
def _layout(die: Die) -> _Layout:
    rng = np.random.default_rng([die.seed, 41])
    w, h, pad = die.width_um / 2, die.height_um / 2, die.pad_um
    street = die.street_um
    parts: list[Part] = [
        Shape(box(-w - street, -h - street, w + street, h + street), (0.15, 0.14, 0.15)),
        Shape(box(-w, -h, w, h), SUBSTRATE),
        *_seal_ring(w, h, die.feature_um),
    ]
    margin = 2.0 * pad
    core = (-w + margin, -h + margin, w - margin, h - margin)
    blocks = _floor_plan(rng, core, 14 if die.memory_um is None else 30)
    memory = None
    if die.memory_um is not None:
        mw, mh = die.memory_um[0] / 2, die.memory_um[1] / 2
        memory = (-mw, -mh, mw, mh)
        small = 50 * die.feature_um
        blocks = [
            b for b in blocks
            if (b[2] < -mw or b[0] > mw or b[3] < -mh or b[1] > mh)
            and min(b[2] - b[0], b[3] - b[1]) > small
        ]  # fmt: skip
    parts += _power_straps(core, die)
    blocks.sort(key=lambda b: (b[2] - b[0]) * (b[3] - b[1]), reverse=True)
    art = _roomiest_small_block(blocks, die.heron_um)
    kinds = ["memory", "logic", "logic", "memory", "bus", "analogue"]
    for i, block in enumerate(b for b in blocks if b is not art):
        film = FILMS[int(rng.integers(len(FILMS)))]
        parts.append(Shape(box(*block), film))
        parts += _fill(kinds[i % len(kinds)], rng, block, film, die.feature_um)
    if memory is not None:
        parts.append(Shape(box(*memory), FILMS[0]))
        parts += _fill("memory", rng, memory, FILMS[0], die.feature_um)
    bird, middle = _art_corner(art, die)
    parts += bird
    pads, pitch, ring = _pad_ring(rng, die)
    parts += ring
    return _Layout(
        # nothing is drawn across a lattice or a word, so these can come last
        tuple(p for p in parts if isinstance(p, Shape | Boxes)),
        tuple(p for p in parts if isinstance(p, Lattice)),
        tuple(p for p in parts if isinstance(p, Lettering)),
        pads,
        pitch,
        middle,
    )


def _seal_ring(w: float, h: float, feature: float) -> list[Part]:
    rings = []
    for inset, width in ((6 * feature, 4 * feature), (14 * feature, 2 * feature)):
        x, y = w - inset, h - inset
        loop = np.concatenate([box(-x, -y, x, y), [(-x, -y), (0.0, -y)]])
        rings.append(Shape(loop, METAL, width, cap="butt"))
    return [*rings]


def _floor_plan(rng: np.random.Generator, core: Box, count: int) -> list[Box]:
    """Cut the core again and again, always the block with the largest area."""
    blocks = [core]
    gap = 0.012 * (core[2] - core[0])
    while len(blocks) < count:
        blocks.sort(key=lambda b: (b[2] - b[0]) * (b[3] - b[1]))
        x0, y0, x1, y1 = blocks.pop()
        share = rng.uniform(0.32, 0.68)
        if x1 - x0 > (y1 - y0) * rng.uniform(0.8, 1.2):
            cut = x0 + share * (x1 - x0)
            blocks += [(x0, y0, cut - gap, y1), (cut + gap, y0, x1, y1)]
        else:
            cut = y0 + share * (y1 - y0)
            blocks += [(x0, y0, x1, cut - gap), (x0, cut + gap, x1, y1)]
    return blocks


def _roomiest_small_block(blocks: list[Box], side: float) -> Box:
    """The smallest block that the drawing fits in, or the largest of all."""
    fitting = [b for b in blocks if min(b[2] - b[0], b[3] - b[1]) > 1.3 * side]
    return fitting[-1] if fitting else blocks[0]


def _power_straps(core: Box, die: Die) -> list[Part]:
    x0, y0, x1, y1 = core
    width = 5 * die.feature_um
    straps = [(x0 - 3 * width, y0 - 3 * width, x1 + 3 * width, y0 - 2 * width),
              (x0 - 3 * width, y1 + 2 * width, x1 + 3 * width, y1 + 3 * width),
              (x0 - 3 * width, y0 - 3 * width, x0 - 2 * width, y1 + 3 * width),
              (x1 + 2 * width, y0 - 3 * width, x1 + 3 * width, y1 + 3 * width)]  # fmt: skip
    return [Boxes(np.array(straps), METAL)]


def _fill(
    kind: str, rng: np.random.Generator, block: Box, film: Colour, feature: float
) -> list[Part]:
    if kind == "memory":
        return _memory(rng, block, film, feature)
    if kind == "logic":
        return _logic(rng, block, film, feature)
    if kind == "bus":
        return _bus(rng, block, feature)
    return _analogue(rng, block, film, feature)


def _shade(colour: Colour, factor: float) -> Colour:
    r, g, b = (min(1.0, factor * c) for c in colour)
    return (r, g, b)


def _memory(rng: np.random.Generator, block: Box, film: Colour, feature: float) -> list[Part]:
    x0, y0, x1, y1 = block
    strip = 0.09 * min(x1 - x0, y1 - y0)
    period = (feature * rng.uniform(3.0, 4.5), feature * rng.uniform(2.2, 3.4))
    middle = (x0 + x1) / 2
    halves = [(x0 + strip, y0 + strip, middle - strip / 2, y1 - strip / 2),
              (middle + strip / 2, y0 + strip, x1 - strip / 2, y1 - strip / 2)]  # fmt: skip
    parts: list[Part] = [
        Lattice(half, period, (feature, 0.8 * feature), _shade(film, 1.7), _shade(film, 0.6),
                _shade(METAL, 0.9))
        for half in halves
    ]  # fmt: skip
    # drivers beside the array repeat with the array's own lines, in groups that differ
    tops = np.arange(y0 + strip, y1 - strip / 2 - 4 * period[1], 8 * period[1])
    lengths = strip * rng.uniform(0.4, 0.85, tops.size)
    drivers = np.stack([np.full(tops.size, x0 + 0.05 * strip), tops,
                        x0 + 0.05 * strip + lengths, tops + 5 * period[1]], axis=1)  # fmt: skip
    parts.append(Boxes(drivers, _shade(METAL, 0.75)))
    lefts = np.arange(x0 + strip, x1 - strip, 4 * period[0])
    heights = strip * rng.uniform(0.3, 0.85, lefts.size)
    sense = np.stack([lefts, np.full(lefts.size, y0 + 0.05 * strip), lefts + 2.5 * period[0],
                      y0 + 0.05 * strip + heights], axis=1)  # fmt: skip
    parts.append(Boxes(sense, _shade(film, 2.0)))
    return parts


def _logic(rng: np.random.Generator, block: Box, film: Colour, feature: float) -> list[Part]:
    x0, y0, x1, y1 = block
    row = 9 * feature
    cells, wires = [np.empty((0, 4))], [np.empty((0, 4))]
    for top in np.arange(y0 + feature, y1 - row, row):
        widths = feature * rng.integers(2, 9, int((x1 - x0) / (3 * feature)))
        ends = x0 + np.cumsum(widths)
        ends = ends[ends < x1 - feature]
        starts = np.concatenate([[x0 + feature], ends[:-1]])
        used = rng.random(ends.size) < 0.6
        low = top + feature * rng.integers(1, 3, ends.size)
        high = top + row - feature * rng.integers(2, 5, ends.size)
        cells.append(np.stack([starts, low, ends - 0.8 * feature, high], axis=1)[used])
        wires.append(np.array([[x0, top - 0.6 * feature, x1, top + 0.6 * feature]]))
    count = int((x1 - x0) * (y1 - y0) / (120 * feature**2))
    x = x0 + feature * np.rint(rng.uniform(0, 1, count) * (x1 - x0 - 2 * feature) / feature)
    y = rng.uniform(y0, y1 - 3 * row, count)
    length = row * rng.exponential(1.2, count)
    ups = np.stack([x, y, x + 0.7 * feature, np.minimum(y + length, y1)], axis=1)
    across = np.stack([x, y, np.minimum(x + length, x1), y + 0.7 * feature], axis=1)[::2]
    return [
        Boxes(np.concatenate(cells), _shade(film, 0.55)),
        Boxes(np.concatenate(wires), _shade(METAL, 0.8)),
        Boxes(ups, _shade(METAL, 0.95)),
        Boxes(across, _shade(film, 2.1)),
    ]


def _bus(rng: np.random.Generator, block: Box, feature: float) -> list[Part]:
    """Bundles that enter at the left, turn through 45 degrees and leave below or at the right."""
    x0, y0, x1, y1 = block
    parts: list[Part] = []
    pitch = 2.2 * feature
    top = y0 + 3 * pitch
    while top < y1 - 12 * pitch:
        count = int(rng.integers(5, 17))
        bend = rng.uniform(0.3, 0.7) * (x1 - x0) + x0
        drop = rng.uniform(0.1, 0.5) * (y1 - top - count * pitch)
        for k in range(count):
            y = top + k * pitch
            turn = bend - 0.414 * k * pitch
            reach = min(drop, x1 - turn)
            if y + reach > y1:
                break
            path = np.array([(x0, y), (turn, y), (turn + reach, y + reach), (x1, y + reach)])
            parts.append(Shape(path, METAL, feature, cap="butt"))
        top += (count + int(rng.integers(2, 7))) * pitch + 0.5 * drop
    return parts


def _analogue(rng: np.random.Generator, block: Box, film: Colour, feature: float) -> list[Part]:
    x0, y0, x1, y1 = block
    w, h = x1 - x0, y1 - y0
    plates = []
    for i in range(3):
        for j in range(4):
            px, py = x0 + w * (0.06 + 0.11 * i), y0 + h * (0.08 + 0.22 * j)
            plates.append((px, py, px + 0.085 * w, py + h * rng.uniform(0.1, 0.17)))
    parts: list[Part] = [Boxes(np.array(plates), _shade(film, 1.9))]
    turns = np.linspace(0, 5, 161)
    radius = 0.42 * min(0.5 * w, h) * (1 - 0.13 * turns)
    angle = 2 * math.pi * np.rint(turns * 8) / 8  # an eight-sided coil
    coil = np.stack([x0 + 0.7 * w + radius * np.cos(angle), y0 + 0.5 * h + radius * np.sin(angle)],
                    axis=1)[::4]  # fmt: skip
    parts.append(Shape(coil, METAL, 2.2 * feature, cap="butt"))
    left, right = x0 + 0.40 * w, x0 + 0.47 * w
    zigzag = [
        (left if (k // 2) % 2 == 0 else right, y0 + h * (0.08 + 0.8 * ((k + 1) // 2) / 24))
        for k in range(48)
    ]
    parts.append(Shape(np.array(zigzag), _shade(film, 0.5), 1.4 * feature, cap="butt"))
    return parts


def _art_corner(block: Box, die: Die) -> tuple[list[Part], Points]:
    x0, y0, x1, y1 = block
    side = min(die.heron_um, 0.95 * min(x1 - x0, y1 - y0))
    left, top = (x0 + x1 - side) / 2, (y0 + y1 - side) / 2
    parts: list[Part] = [Shape(box(*block), _shade(SUBSTRATE, 0.9))]
    parts += heron(left, top, side, METAL, _shade(SUBSTRATE, 0.9))
    if die.word:
        height = min(0.10 * side, 0.35 * (top - y0))
        middle = ((x0 + x1) / 2, top - 0.8 * height)
        parts.append(Lettering(die.word, middle, height, METAL))
    arm = 0.08 * side
    for x, y in ((x0 + 1.5 * arm, y1 - 1.5 * arm), (x1 - 1.5 * arm, y1 - 1.5 * arm)):
        cross = np.array([(x - arm, y - arm / 5, x + arm, y + arm / 5),
                          (x - arm / 5, y - arm, x + arm / 5, y + arm)])  # fmt: skip
        parts.append(Boxes(cross, METAL))
    return parts, np.array([[left + side / 2, top + side / 2]])


def _pad_ring(rng: np.random.Generator, die: Die) -> tuple[Points, float, list[Part]]:
    w, h, pad = die.width_um / 2, die.height_um / 2, die.pad_um
    inset = 1.0 * pad
    pitch = 1.5 * pad
    across = np.arange(-int((w - 2 * pad) / pitch), int((w - 2 * pad) / pitch) + 1) * pitch
    down = np.arange(-int((h - 2 * pad) / pitch), int((h - 2 * pad) / pitch) + 1) * pitch
    sides = [(np.stack([across, np.full(across.size, s * (h - inset))], axis=1), (0.0, s))
             for s in (-1.0, 1.0)]  # fmt: skip
    sides += [(np.stack([np.full(down.size, s * (w - inset)), down], axis=1), (s, 0.0))
              for s in (-1.0, 1.0)]  # fmt: skip
    parts: list[Part] = []
    wires: list[Part] = []
    for middles, outward in sides:
        for x, y in middles:
            parts += _pad(rng, float(x), float(y), pad, die.feature_um)
            if die.wires and rng.random() < 0.75:
                wires += _bond(rng, float(x), float(y), outward, pad)
    pads = np.concatenate([middles for middles, _ in sides])
    return pads, pitch, parts + wires


def _pad(rng: np.random.Generator, x: float, y: float, pad: float, feature: float) -> list[Part]:
    half = pad / 2
    mark = rng.normal(0, 0.08 * pad, 2) + np.array([x, y])
    reach = np.array([0.15 * pad, 0.02 * pad])
    scrub = np.stack([mark - reach, mark + reach])
    return [
        Shape(box(x - half - 2 * feature, y - half - 2 * feature, x + half + 2 * feature,
                  y + half + 2 * feature), _shade(SUBSTRATE, 0.5)),
        Shape(box(x - half, y - half, x + half, y + half), PAD),
        Shape(scrub, _shade(PAD, 0.55), 0.07 * pad),
    ]  # fmt: skip


def _bond(
    rng: np.random.Generator, x: float, y: float, outward: tuple[float, float], pad: float
) -> list[Part]:
    way = np.array(outward) + rng.normal(0, 0.18, 2)
    start = np.array([x, y])
    end = start + way / np.hypot(*way) * 14 * pad
    path = np.stack([start, end])
    side = np.array([-way[1], way[0]]) / np.hypot(*way) * 0.055 * pad
    return [
        Shape(disc(x, y, 0.40 * pad), (0.16, 0.13, 0.07)),
        Shape(disc(x - 0.06 * pad, y - 0.08 * pad, 0.17 * pad), (0.78, 0.66, 0.34)),
        Shape(path, (0.14, 0.11, 0.06), 0.30 * pad),
        Shape(path + side, (0.70, 0.58, 0.30), 0.07 * pad),
    ]


def _paint_lattice(view: View, picture: Image, part: Lattice) -> None:
    x0, y0, x1, y1 = part.box
    window = view.window([(x0, y0), (x1, y0), (x0, y1), (x1, y1)])
    if window is None:
        return
    sigma = view.sigma_um
    x, y = view.x[window] + (view.origin_um[0] - x0), view.y[window] + (view.origin_um[1] - y0)
    inside = band(x - (x1 - x0) / 2, (x1 - x0) / 2, sigma)
    inside *= band(y - (y1 - y0) / 2, (y1 - y0) / 2, sigma)
    upright = comb(x, part.period_um[0], part.strip_um[0], sigma)
    level = comb(y, part.period_um[1], part.strip_um[1], sigma)
    under = picture[window]
    cell = blend(under, level, part.along_x)
    cell = blend(cell, upright, part.along_y)
    cell = blend(cell, upright * level, part.dots)
    picture[window] = under + inside[..., None] * (cell - under)
