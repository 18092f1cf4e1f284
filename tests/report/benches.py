"""A small bench for the tests of reports: two instruments, photos drawn with Pillow."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
from PIL import Image
from tests.bench.slides import draw_slide
from tests.made_once import made_once

from glassay.bench.document.read import load_bench
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import read_results, run_bench

TEXT = """
[bench]
title = "Evenings <b>&amp;</b> slides"
display = { diagonal = "24 in", pixels = "1920 x 1080" }

[[object]]
id = "slide"
kind = "ruled scale"
division = "10 um"

[[object]]
id = "bare"
kind = "chip"

[[instrument]]
id = "pad"
name = "Pad | <script>alert(1)</script>"
kind = "screen"
price = { list = "99 EUR" }
[[instrument.setting]]
id = "near"
[[instrument.setting]]
id = "far"
[[instrument.claim]]
kind = "magnification"
value = "20x to 1600x"
where = "box"
[[instrument.claim]]
kind = "frame rate"
value = "30 fps"
where = "listing"
[[instrument.observation]]
what = "the arm sags"

[[instrument]]
id = "stereo"
kind = "stereo"
price = { paid = "180 EUR" }
[instrument.chain]
zoom = "4.5x"
eyepiece = "10x"
field_number = "2.5 mm"
[[instrument.setting]]
id = "zoom-4.5"
through_eyepiece = true
[[instrument.claim]]
kind = "magnification"
value = "45x"
where = "body"

[[capture]]
file = "captures/near.png"
instrument = "pad"
setting = "near"
object = "slide"
[[capture]]
file = "captures/dark.png"
instrument = "pad"
setting = "near"
object = "slide"
note = "the lamp was off"
[[capture]]
file = "captures/far.png"
instrument = "pad"
setting = "far"
object = "slide"
[[capture]]
file = "captures/chip.png"
instrument = "pad"
setting = "near"
object = "bare"
[[capture]]
file = "captures/eye.png"
instrument = "stereo"
object = "slide"
"""


def small_bench(folder: Path) -> Path:
    """Fill `folder` with the bench, and return it."""
    captures = folder / "captures"
    draw_slide(captures / "near.png", pixel_size_um=1.25)
    draw_slide(captures / "far.png", pixel_size_um=2.0, seed=1)
    draw_slide(captures / "eye.png", pixel_size_um=1.25, seed=2, round_field_um=560)
    rng = np.random.default_rng(0)
    noise = np.clip(rng.normal(90, 4, (200, 300, 3)), 0, 255).astype(np.uint8)
    for name in ("dark.png", "chip.png"):
        Image.fromarray(noise).save(captures / name)
    (folder / "bench.toml").write_text(TEXT, encoding="utf-8")
    return folder


def measured(folder: Path) -> BenchResults:
    """The small bench in an empty or new folder, with its results; measured once for all."""
    made = made_once("small-bench", lambda new: run_bench(load_bench(small_bench(new)), jobs=1))
    shutil.copytree(made, folder, dirs_exist_ok=True)
    return read_results(load_bench(folder))
