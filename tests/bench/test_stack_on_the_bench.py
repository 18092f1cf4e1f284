"""The photos of a focus run stacked on a bench: relief in the findings, picture and depth drawn."""

from __future__ import annotations

from pathlib import Path

from tests.stack.runs import HEIGHTS_UM, STEP_UM, files

from glassay.bench.document.read import load_bench
from glassay.bench.measuring.assemble import run_bench
from glassay.report.evidence import draw_captures

BENCH = """
[bench]
title = "stack"
[[object]]
id = "run"
kind = "focus run"
[[instrument]]
id = "a"
kind = "USB"
[[capture]]
files = [{files}]
instrument = "a"
object = "run"
step = "{step} um"
"""


def test_a_focus_run_of_a_die_tells_its_relief(tmp_path: Path) -> None:
    (tmp_path / "captures").mkdir()
    names = []
    for number, jpeg in enumerate(files()):
        names.append(f"captures/z{number:02d}.jpg")
        (tmp_path / names[-1]).write_bytes(jpeg)
    listed = ", ".join(f'"{name}"' for name in names)
    (tmp_path / "bench.toml").write_text(BENCH.format(files=listed, step=STEP_UM))
    results = run_bench(load_bench(tmp_path), jobs=1)
    part = results.captures[0].part("focus stack")
    assert part is not None
    assert part.status == "measured", part.reason
    relief = part.findings["depth_range"].quantity
    # the wire stands on the higher die or beside it, up to a loop of 4 um and its own thickness
    assert relief.unit == "um"
    assert HEIGHTS_UM[1] - STEP_UM < relief.value < HEIGHTS_UM[1] + 2 * STEP_UM
    drawn = draw_captures(results)[results.captures[0].capture.id]
    assert not drawn.missing
    words = [figure.caption for figure in drawn.figures]
    assert sum("Depth from the first photo" in one for one in words) == 1
