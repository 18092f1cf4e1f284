"""A bench of a scale and of nine photos of one chip in tiles, drawn from noise, and measured."""

from __future__ import annotations

import shutil
from pathlib import Path

import cv2
import numpy as np
from tests.bench.slides import draw_slide
from tests.made_once import made_once

from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import run_bench

HIGH, WIDE = 480, 640
STEPS = 460, 344
CAPTURE = "captures/0.png"
"""Id of the capture of the nine photos."""

TEXT = """
[bench]
title = "Tiles"

[[object]]
id = "slide"
kind = "ruled scale"
division = "10 um"

[[object]]
id = "piece"
kind = "chip in tiles"
name = "A piece of noise"

[[instrument]]
id = "stand"
name = "Stand"
kind = "screen"
[[instrument.setting]]
id = "near"

[[capture]]
instrument = "stand"
setting = "near"
object = "slide"
file = "captures/scale.png"

[[capture]]
instrument = "stand"
setting = "near"
object = "piece"
files = [FILES]
"""


def bench_of_tiles(folder: Path) -> Path:
    """The bench in a new or empty folder, with its results; measured once for all."""
    made = made_once("tiles", _measured)
    return Path(shutil.copytree(made, folder, dirs_exist_ok=True))


def _measured(folder: Path) -> None:
    (folder / "captures").mkdir(parents=True)
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 1, (1300, 1700)).astype(np.float32)
    sheet = np.clip(128 + 130 * cv2.GaussianBlur(noise, (0, 0), 2.0), 0, 255).astype(np.uint8)
    names = [f"captures/{n}.png" for n in range(9)]
    for n, name in enumerate(names):
        x, y = np.array((n % 3, n // 3)) * STEPS + rng.integers(0, 9, 2)
        cv2.imwrite(str(folder / name), sheet[y : y + HIGH, x : x + WIDE])
    draw_slide(folder / "captures/scale.png", pixel_size_um=1.25)
    listed = ", ".join(f'"{name}"' for name in names)
    (folder / "bench.toml").write_text(TEXT.replace("FILES", listed))
    run_bench(load_bench(folder), jobs=1)
