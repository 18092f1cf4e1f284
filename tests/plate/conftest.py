"""A small bench of one chip, shared by the tests of plates: two cameras, an eyepiece, a dark photo."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from glassay.bench.chip.same_chip import SameChip
from glassay.bench.document.read import load_bench
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import read_results, run_bench
from glassay.bench.measuring.matching import kept_matches
from glassay.simulate import Camera, Capture, Die, Edge, Optics, Pose, capture
from tests.bench.slides import draw_slide
from tests.made_once import made_once

SIZE = (400, 300)
PIXEL_UM = {"near": 1.0, "far": 1.5, "eye": 1.2}
TEXT = """
[bench]
title = "One chip"
[[object]]
id = "slide"
kind = "ruled scale"
division = "20 um"
[[object]]
id = "blade"
kind = "edge"
[[object]]
id = "chip"
kind = "chip"
name = "bare chip"
"""


@dataclass(frozen=True)
class Shown:
    """The bench's results, its matches, and the simulated photos by instrument."""

    results: BenchResults
    chip: SameChip
    shots: dict[str, Capture]


def _photo(name: str, turn: float, centre: tuple[float, float]) -> Capture:
    stop = 330.0 if name == "eye" else 0.0
    optics = Optics(na=0.2 / PIXEL_UM[name], field_stop_um=stop)
    camera = Camera(width=SIZE[0], height=SIZE[1], exposure=0.8)
    return capture(Die(seed=0), Pose(PIXEL_UM[name], turn, centre), optics, camera, 1)


def _blade(name: str) -> Capture:
    optics, camera = Optics(na=0.2 / PIXEL_UM[name]), Camera(width=SIZE[0], height=SIZE[1])
    scene = Edge(lean_deg=6, left=0.1, right=0.7)
    return capture(scene, Pose(PIXEL_UM[name]), optics, camera, 2)


def chip_file(name: str) -> str:
    """Where the chip's photo of an instrument lies, which is also its id."""
    return f"captures/chip-{name}.png"


@pytest.fixture(scope="session")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Shown:
    made = made_once("one-chip", _photographed_and_measured)
    folder = Path(shutil.copytree(made, tmp_path_factory.mktemp("one-chip") / "bench"))
    results = read_results(load_bench(folder))
    return Shown(results, kept_matches(results)[0], _shots())


def _shots() -> dict[str, Capture]:
    return {
        "near": _photo("near", 4, (-100, 50)),
        "far": _photo("far", -20, (-85, 40)),
        "eye": _photo("eye", 95, (-95, 60)),
    }


def _photographed_and_measured(folder: Path) -> None:
    (folder / "captures").mkdir()
    text = TEXT
    for number, (name, shot) in enumerate(_shots().items()):
        draw_slide(folder / f"captures/slide-{name}.png", pixel_size_um=PIXEL_UM[name], size=SIZE,
                   division_um=20, seed=number)  # fmt: skip
        shot.write(folder / chip_file(name))
        text += f'[[instrument]]\nid = "{name}"\nname = "Glass {name}"\nkind = "other"\n'
        text += f'[[capture]]\nfile = "captures/slide-{name}.png"\ninstrument = "{name}"\n'
        text += f'object = "slide"\n[[capture]]\nfile = "{chip_file(name)}"\n'
        text += f'instrument = "{name}"\nobject = "chip"\n'
        if name != "eye":
            _blade(name).write(folder / f"captures/blade-{name}.png")
            text += f'[[capture]]\nfile = "captures/blade-{name}.png"\ninstrument = "{name}"\n'
            text += 'object = "blade"\n'
    Image.fromarray(np.full((300, 400, 3), 7, np.uint8)).save(folder / chip_file("lamp"))
    text += '[[instrument]]\nid = "lamp"\nname = "Glass lamp"\nkind = "other"\n'
    text += f'[[capture]]\nfile = "{chip_file("lamp")}"\ninstrument = "lamp"\nobject = "chip"\n'
    (folder / "bench.toml").write_text(text, encoding="utf-8")
    run_bench(load_bench(folder), jobs=1)
