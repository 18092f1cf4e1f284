"""Field, noise and focus in a bench: measured, compared, drawn."""

from __future__ import annotations

import numpy as np
import pytest

from glassay.bench.document.read import load_bench
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import run_bench
from glassay.quantity import Quantity
from glassay.report.evidence import draw_captures
from glassay.simulate import (
    Camera,
    CrossedGrid,
    FlatField,
    Optics,
    Pose,
    SlantedSquare,
    capture,
    focus_run,
)

BENCH = """
[bench]
title = "field"
[[object]]
id = "grid"
kind = "grid"
division = "50 um"
[[object]]
id = "flat"
kind = "flat field"
[[object]]
id = "run"
kind = "focus run"
[[instrument]]
id = "a"
kind = "USB"
[[instrument]]
id = "b"
kind = "USB"
[[capture]]
file = "captures/grid.jpg"
instrument = "a"
object = "grid"
[[capture]]
file = "captures/flat.jpg"
instrument = "a"
object = "flat"
[[capture]]
files = [{files}]
instrument = "a"
object = "run"
step = "24 um"
"""


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> BenchResults:
    folder = tmp_path_factory.mktemp("bench")
    (folder / "captures").mkdir()
    lens = Optics(na=0.1, vignetting=0.2, distortion_k1=-0.03, lateral_colour=(0.003, 0, -0.002))
    camera = Camera(width=400, height=300)
    capture(CrossedGrid(), Pose(1.8, 3), lens, camera, 1).write(folder / "captures/grid.jpg")
    capture(FlatField(0.6), Pose(1.8), lens, camera, 1).write(folder / "captures/flat.jpg")
    places = np.arange(-7, 8) * 24.0
    run = focus_run(SlantedSquare(side_um=220), Pose(1.8), Optics(na=0.1), camera, places, seed=2)
    names = []
    for number, shot in enumerate(run.captures):
        names.append(f"captures/z{number:02d}.jpg")
        shot.write(folder / names[-1])
    listed = ", ".join(f'"{name}"' for name in names)
    (folder / "bench.toml").write_text(BENCH.replace("{files}", listed))
    return run_bench(load_bench(folder), jobs=1)


def test_findings_stand_in_the_table_where_they_were_measured(results: BenchResults) -> None:
    table = results.comparison
    for column, unit, low, high in (
        ("evenness_corner", "%", 65, 80), ("distortion_corner", "%", 3.0, 3.4),
        ("lateral_colour", "um", 1.5, 3.0), ("focus_quality", "%", 60, 95),
        ("depth_of_field", "um", 120, 260),
    ):  # fmt: skip
        value = table.cell("a", column).value
        assert isinstance(value, Quantity), column
        assert value.unit == unit
        assert low < value.value < high, column
        other = table.cell("b", column)
        assert other.value is None
        assert other.why
    assert "snr_grey" not in {column.id for column in table.columns}  # nothing was measured


def test_each_is_drawn(results: BenchResults) -> None:
    for figures in draw_captures(results).values():
        assert not figures.missing
        assert figures.figures
        assert all(len(figure.html) > 2_000 for figure in figures.figures)
