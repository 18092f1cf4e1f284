"""The group of a bar target's largest element, stated in a bench, where its numerals are cut off."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from glassay.bench.document.model import Bench
from glassay.bench.document.read import load_bench
from glassay.bench.measuring.methods.detail import METHODS
from glassay.errors import NotMeasurable, Unusable

REAL = Path(__file__).parents[1] / "data" / "bar-target" / "bar-target-real.tif"
"""A real capture under the MIT licence, with its source beside it: groups 2 and 3 are in view."""

BARS = next(method for method in METHODS if method.name == "bar target")


def bench_with(folder: Path, stated: str) -> Bench:
    shutil.copy(REAL, folder / "bars.tif")
    (folder / "bench.toml").write_text(f"""
[[object]]
id = "target"
kind = "bar target"
[[instrument]]
id = "one"
kind = "compound"
[[capture]]
file = "bars.tif"
instrument = "one"
object = "target"
{stated}
""")
    return load_bench(folder)


def test_a_stated_group_tells_frequencies_that_are_refused_without_it(tmp_path: Path) -> None:
    without, stated = bench_with(tmp_path, ""), bench_with(tmp_path, "largest_group = 2")
    with pytest.raises(NotMeasurable, match="largest_group"):
        BARS.measure([tmp_path / "bars.tif"], BARS.settings(without, without.captures[0]))
    told = BARS.measure([tmp_path / "bars.tif"], BARS.settings(stated, stated.captures[0]))
    assert "group 2 of the largest element as stated" in " ".join(told.notes)
    first = told.evidence["elements"][0]
    # Group 2, element 1 has 2^2 line pairs per mm (MIL-STD-150A, from memory).
    assert first["frequency"] == pytest.approx(2 ** (2 + (first["number"] - 1) / 6), rel=1e-3)


@pytest.mark.parametrize("value", ['"2"', "12", "true", "2.0"])
def test_what_is_no_group_is_refused_when_the_bench_is_read(tmp_path: Path, value: str) -> None:
    with pytest.raises(Unusable, match="is not a group of a bar target"):
        bench_with(tmp_path, f"largest_group = {value}")
