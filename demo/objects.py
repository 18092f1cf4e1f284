"""What lies under the microscopes: the library's reference objects, and its chip.

The slide's divisions are not exactly what is engraved on them. What `bench.toml` may know of that
is the certificate of the fine scale and the stated tolerance of the coarse one.
"""

from __future__ import annotations

from functools import lru_cache

from glassay.simulate import (
    BarTarget,
    CrossedGrid,
    Die,
    Dust,
    Edge,
    FlatField,
    Level,
    Lit,
    Overlaid,
    Plate,
    Relief,
    RuledScale,
    Scene,
    Scratches,
    SensorDie,
    Texture,
    WirePieces,
)

FINE = RuledScale(
    division_um=10.004, divisions=100, line_width_um=1.8, line=0.06, ground=0.84, anchor="bottom",
    numeral_height_um=28, numeral_gap_um=14, baseline_width_um=2, ruling_error_um=0.02,
    ruling_seed=11, ring_um=1500, font="engraved",
)  # fmt: skip
"""1 mm in 100 divisions; its certificate says 10.003 um with U = 0.006 um."""

COARSE = RuledScale(
    division_um=99.96, divisions=100, line_width_um=14, short_um=500, fifth_um=750, tenth_um=1000,
    line=0.06, ground=0.84, numeral_height_um=260, numeral_gap_um=120, baseline=True,
    baseline_width_um=14, ruling_error_um=0.1, ruling_seed=12, font="engraved",
)  # fmt: skip
"""10 mm in 100 divisions on the same slide; the maker states a tolerance of 0.1 %."""

RULE = RuledScale(
    division_um=500.4, divisions=100, line_width_um=70, short_um=2600, fifth_um=3800,
    tenth_um=5200, line=0.05, ground=0.55, numeral_height_um=1500, numeral_gap_um=700,
    numeral_step=5, ruling_error_um=0.8, ruling_seed=13, font="sans",
)  # fmt: skip
"""A 50 mm rule in half millimetres, of which nothing is known."""

GRID = CrossedGrid(
    pitch_x_um=1000.3, pitch_y_um=1000.3, line_width_um=45, line=0.07, ground=0.8, extent_um=40_000
)
"""A printed glass grid of 1 mm."""

CHIP = Die(heron_um=120, seed=4)
"""The tide gauge's chip, 1.8 mm x 1.4 mm, with a heron near its middle."""


WIRES = 22.0
"""Thickness of the bond wires in the package, um."""
DIE_HEIGHT_UM = 150.0


def corner_with_wires() -> Relief:
    """A corner of the chip in its package: the cavity's floor, the die upon it, and three bond wires
    from its pads that were bent up, over the rim and down."""
    floor = Texture("cloud", detail_um=9, slope=0.9, mean=0.25, contrast=0.08, seed=3)
    ways = (
        ((-525, -630), (-560, -920)),
        ((-420, -630), (-400, -920)),
        ((-835, -525), (-1150, -560)),
    )
    levels = [
        Level(0, floor, Plate((-3000, -3000, 6000, 6000))),
        Level(DIE_HEIGHT_UM, CHIP, Plate((-900, -700, 1800, 1400))),
    ]
    heights = (DIE_HEIGHT_UM + 40, DIE_HEIGHT_UM + 75, 0.5 * DIE_HEIGHT_UM)
    shares = (0.0, 0.25, 0.7, 1.0)
    for number, height in enumerate(heights):
        pieces = []
        for (x, y), (to_x, to_y) in ways:
            a, b = shares[number], shares[number + 1]
            pieces.append((x + a * (to_x - x), y + a * (to_y - y),
                           x + b * (to_x - x), y + b * (to_y - y)))  # fmt: skip
        shown, cover = (WirePieces(tuple(pieces), WIRES, lit=lit) for lit in (True, False))
        levels.append(Level(height, shown, cover))
    return Relief(tuple(sorted(levels, key=lambda level: level.height_um)))


SENSOR = SensorDie(
    pitch_x_um=3.0, pitch_y_um=3.0, columns=1920, rows=1080, lens=0.35, frame_um=420, pad_um=110
)
"""The image sensor of the Gloamerby Grand, its glass lid off: 2.07 million pixels."""


@lru_cache(maxsize=1)
def heron_um() -> tuple[float, float]:
    """Where the heron stands on the chip, um from the chip's middle."""
    x, y = CHIP.marks_um()["heron"][0]
    return float(x), float(y)


def scene(name: str) -> Scene:
    """The object called `name` in `bench.toml`, as dusty as it is."""
    fine_dirt = (Dust(30, 3, 6, 1800, 0.2, seed=5),)
    coarse_dirt = (Dust(40, 4, 40, 16_000, 0.25, seed=6),)
    rule_dirt = (Dust(40, 5, 120, 50_000, 0.25, seed=7), Scratches(9, 40, 60_000, 0.7, 0.5, seed=7))
    scenes: dict[str, Scene] = {
        "slide-fine": Overlaid(FINE, fine_dirt),
        "slide-coarse": Overlaid(COARSE, coarse_dirt),
        "rule": Overlaid(RULE, rule_dirt),
        "grid": GRID,
        "chip": CHIP,
        "chip-oblique": Lit(CHIP, "oblique", edge_um=1.4, flat=0.55, lamp_deg=205),
        "blade": Edge(lean_deg=6, left=0.06, right=0.72),
        "bars": BarTarget(first_group=2, layers=3),
        "card": FlatField(0.7),
        "grand-sensor": SENSOR,
    }
    return scenes[name]
