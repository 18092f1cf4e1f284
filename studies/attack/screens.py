"""Photos of screens that show a scale, through a lens and a colour mosaic of this study's own."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np

from studies.attack.case import Kind, Outcome, ask, nothing_there, number
from studies.attack.drawing import canvas, photographed_in_colour, saved, screen, some_quality
from studies.attack.scale import ruling

WIDE, HIGH = 640, 480
LAYOUTS = ("grille", "level", "diamond")
"""Of a screen's colours, beside upright stripes in cells (see `drawing.screen`)."""


def of_a_scale(
    rng: np.random.Generator, folder: Path, *, moire: bool, layout: str = "stripes"
) -> Outcome:
    """The ruling shown is the truth; told the screen's own pitch or a beat, it is wrong.

    With `moire` the screen's cells are about one, two or two thirds of the camera's px.
    """
    pitch = float(rng.uniform(0.9, 2.2) if moire else rng.uniform(2.2, 7))
    period = pitch * float(rng.uniform(4, 12))
    sheet = canvas(WIDE, HIGH)
    ruling(sheet, rng, period, period * 0.25, levels=bool(rng.integers(3)))
    shown = screen(sheet, rng, pitch, layout)
    photo = photographed_in_colour(shown, rng, blur=float(rng.uniform(0.4, 1.2)))
    path = saved(photo, folder / "p", some_quality(rng))
    answer = ask("scale", path, "--division", "10um")
    return number(answer, "pixel_size", 10 / period, good=False, bound=0.02)


def of_nothing(rng: np.random.Generator, folder: Path, *, layout: str = "stripes") -> Outcome:
    """The screen shows an even field or a slow gradient: only its own cells repeat."""
    sheet = canvas(WIDE, HIGH) * np.linspace(0.5, 1, WIDE * 4, dtype=np.float32)
    photo = photographed_in_colour(screen(sheet, rng, float(rng.uniform(0.9, 12)), layout), rng,
                                   blur=float(rng.uniform(0.4, 1.0)))  # fmt: skip
    path = saved(photo, folder / "p", some_quality(rng))
    return nothing_there(
        ask("scale", path, "--division", "10um"), "cells of a screen", "pixel_size"
    )


KINDS: dict[str, Kind] = {
    "scale on a screen, cells seen": (18, partial(of_a_scale, moire=False)),
    "scale on a screen, moire": (16, partial(of_a_scale, moire=True)),
    "screen alone": (12, of_nothing),
    **{
        f"scale on a screen, {layout}": (8, partial(of_a_scale, moire=False, layout=layout))
        for layout in LAYOUTS
    },
    **{f"screen alone, {layout}": (6, partial(of_nothing, layout=layout)) for layout in LAYOUTS},
}
