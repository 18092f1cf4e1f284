"""A decapped chip as a microscope shows it, invented down to the last wire.

The floor plan is drawn once from the seed: a ring of pads with bond wires, a seal ring, memory
arrays, rows of logic, bundles of bus wiring, analogue plates and coils, marks for alignment, a
lettered corner, and a tiny heron.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from glassay.simulate.die_blocks import fill, shade
from glassay.simulate.die_layout import (
    CAVITY,
    FILMS,
    METAL,
    PAD,
    SUBSTRATE,
    Box,
    Lattice,
    Layout,
    Lettering,
    Part,
)
from glassay.simulate.geometry import Image, Points
from glassay.simulate.heron import heron
from glassay.simulate.lettering import add_lettering
from glassay.simulate.paint import View, band, blend, comb
from glassay.simulate.shapes import Boxes, Shape, box, disc, draw


@dataclass(frozen=True)
class Die:
    """A chip of `width_um` x `height_um`, its middle at (0, 0).

    `feature_um` is the finest wire; everything else scales with it and the die. `wires` draws bond
    wires. `heron_um` is the side of the drawing. `memory_um` puts one memory of that size in the
    middle, among smaller blocks; one that leaves no room for a block leaves none for the drawing, and
    one that does not fit between the pads raises ValueError when it is laid out. Two dies with
    different seeds share no floor plan.
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


@lru_cache(maxsize=8)
def _layout(die: Die) -> Layout:
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
        if mw > core[2] or mh > core[3]:
            raise ValueError(
                f"a memory of {die.memory_um} um does not fit between the pads, which leave"
                f" {2 * core[2]:g} x {2 * core[3]:g} um"
            )
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
        parts += fill(kinds[i % len(kinds)], rng, block, film, die.feature_um)
    if memory is not None:
        parts.append(Shape(box(*memory), FILMS[0]))
        parts += fill("memory", rng, memory, FILMS[0], die.feature_um)
    bird, middle = ([], np.empty((0, 2))) if art is None else _art_corner(art, die)
    parts += bird
    pads, pitch, ring = _pad_ring(rng, die)
    parts += ring
    return Layout(
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


def _roomiest_small_block(blocks: list[Box], side: float) -> Box | None:
    """The smallest block that the drawing fits in, or the largest of all; None where there is none."""
    fitting = [b for b in blocks if min(b[2] - b[0], b[3] - b[1]) > 1.3 * side]
    return fitting[-1] if fitting else (blocks[0] if blocks else None)


def _power_straps(core: Box, die: Die) -> list[Part]:
    x0, y0, x1, y1 = core
    width = 5 * die.feature_um
    straps = [(x0 - 3 * width, y0 - 3 * width, x1 + 3 * width, y0 - 2 * width),
              (x0 - 3 * width, y1 + 2 * width, x1 + 3 * width, y1 + 3 * width),
              (x0 - 3 * width, y0 - 3 * width, x0 - 2 * width, y1 + 3 * width),
              (x1 + 2 * width, y0 - 3 * width, x1 + 3 * width, y1 + 3 * width)]  # fmt: skip
    return [Boxes(np.array(straps), METAL)]


def _art_corner(block: Box, die: Die) -> tuple[list[Part], Points]:
    x0, y0, x1, y1 = block
    side = min(die.heron_um, 0.95 * min(x1 - x0, y1 - y0))
    left, top = (x0 + x1 - side) / 2, (y0 + y1 - side) / 2
    parts: list[Part] = [Shape(box(*block), shade(SUBSTRATE, 0.9))]
    parts += heron(left, top, side, METAL, shade(SUBSTRATE, 0.9))
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
                  y + half + 2 * feature), shade(SUBSTRATE, 0.5)),
        Shape(box(x - half, y - half, x + half, y + half), PAD),
        Shape(scrub, shade(PAD, 0.55), 0.07 * pad),
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
    # Each of the four kinds of places is the product of one coverage across and one down: so the
    # Gaussian that is painted in is exact, which it is not where strips are laid over each other.
    under = picture[window]
    free = 1 - upright
    cell = under * ((1 - level) * free)[..., None]
    shares = ((level * free, part.along_x), (upright * (1 - level), part.along_y),
              (upright * level, part.dots))  # fmt: skip
    for share, colour in shares:
        cell += share[..., None] * np.asarray(colour, dtype=cell.dtype)
    picture[window] = under + inside[..., None] * (cell - under)
