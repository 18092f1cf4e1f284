"""Benches of one drawn die: a slide and the chip through each of some instruments."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import run_bench
from glassay.simulate import Capture
from tests.bench.slides import draw_slide
from tests.die.drawn import shot

PX = 2.4
"""um/px of the smallest picture in which everything on the die is found."""

HEAD = """
[bench]
title = "Quay <bench>"
[[object]]
id = "slide"
kind = "ruled scale"
division = "20 um"
[[object]]
id = "chip"
kind = "chip"
name = "Gull & chick"
"""


def bench_of_a_die(
    folder: Path, pictures: Mapping[str, tuple[float, Capture]] | None = None, notes: str = "",
    without_slide: tuple[str, ...] = (), run: bool = True,
) -> Path:  # fmt: skip
    """A bench with, for each instrument, a picture of the chip and its um/px and one of a slide."""
    pictures = pictures or {"one": (PX, shot(pixel_um=PX))}
    (folder / "captures").mkdir(parents=True)
    text = HEAD
    for name in pictures:
        text += f'[[instrument]]\nid = "{name}"\nkind = "other"\n'
    for name, (px, picture) in pictures.items():
        picture.write(folder / f"captures/chip-{name}.png")
        if name not in without_slide:
            size = (picture.stored.shape[1], picture.stored.shape[0])
            draw_slide(folder / f"captures/slide-{name}.png", pixel_size_um=px, size=size,
                       division_um=20, seed=1)  # fmt: skip
            text += _capture("slide", name)
        text += _capture("chip", name)
    (folder / "bench.toml").write_text(text, encoding="utf-8")
    if notes:
        (folder / "dies").mkdir()
        (folder / "dies" / "chip.toml").write_text(notes, encoding="utf-8")
    if run:
        run_bench(load_bench(folder), jobs=1)
    return folder


def _capture(thing: str, name: str) -> str:
    file = f"captures/{thing}-{name}.png"
    return f'[[capture]]\nfile = "{file}"\ninstrument = "{name}"\nobject = "{thing}"\n'
