"""A scale that a contradiction is about gives no um anywhere: no die, no pick, no mark, no plan."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from tests.bench.made_up import bench_of, camera, captured

from glassay.bench.chip.die_pictures import (
    _hold_scales,
    _tiles_of,
    best_die,
    captures_with_scale,
    picture_of_capture,
)
from glassay.bench.chip.same_chip import SameChip, Twosome
from glassay.bench.document.model import Capture, ReferenceObject
from glassay.bench.document.read import load_bench
from glassay.bench.keeping.compare_benches import compare_benches
from glassay.bench.keeping.marks import pixel_size_for
from glassay.bench.keeping.results import BenchResults, CaptureResult, Contradiction, MethodResult
from glassay.bench.measuring.assemble import assemble, read_results
from glassay.bench.planning.plan import Job, left_out, plan
from glassay.cli.commands.run import brief
from glassay.errors import NotMeasurable, Unusable
from glassay.finding import Finding
from glassay.quantity import Quantity
from glassay.report.picks import finest_of, picks

EDGE = {"frequency_10": Finding(Quantity.of(0.25, 0.002, "cycles/px"), "edge")}


def parted(error: float) -> BenchResults:
    """Two cameras, each with a slide and a photo of one chip, whose calibrations the chip parts; a
    third that nothing is said against."""
    names = ("one", "two", "sure")
    chips = tuple(Capture(f"chip-{n}", (f"{n}.png",), n, "only", "chip") for n in names)
    bench = replace(
        bench_of(*(replace(camera(), id=n) for n in names)),
        objects=(ReferenceObject("slide", "ruled scale", division_um=10),
                 ReferenceObject("chip", "chip")),
        captures=chips,
    )  # fmt: skip
    facts = {"width": 1920, "height": 1080}
    shown = [captured(n, "only", size, name=f"slide-{n}", extra=EDGE)
             for n, size in zip(names, (1.0, 1.2, 3.0), strict=True)]  # fmt: skip
    shown += [
        CaptureResult(one, (MethodResult("edge", "nothing found", facts=facts),)) for one in chips
    ]
    off = Quantity.of(error, 0.001, "1")
    pair = Twosome("chip-one", "chip-two", None, "", off, off, "disagree")
    return assemble(bench, shown, (SameChip("chip", "chip-one", (pair,)),))


def test_a_die_is_told_in_um_only_where_no_scale_is_in_doubt() -> None:
    assert [one.id for _, one, _ in captures_with_scale(parted(0.0), "chip")[0]] == [
        "chip-one", "chip-two", "chip-sure",
    ]  # fmt: skip
    tried, passed = captures_with_scale(parted(0.2), "chip")
    assert [one.id for _, one, _ in tried] == ["chip-sure"]
    assert [name for name, _ in passed] == ["chip-one", "chip-two"]
    assert all(why.startswith("its scale is in doubt: ") for _, why in passed)


def test_what_is_picked_rests_on_no_scale_in_doubt() -> None:
    sure, doubtful = parted(0.0), parted(0.2)
    assert finest_of(sure, "one") is not None
    assert picks(sure)[0].instruments == ("one",)
    assert finest_of(doubtful, "one") is None
    assert picks(doubtful)[0].instruments == ("sure",)
    assert sum("no line shown" in line for line in brief(doubtful)) == 2


def test_a_mark_in_a_setting_whose_scale_is_in_doubt_stays_in_px() -> None:
    size = (1920, 1080)
    for name in ("chip-one", "chip-sure"):
        pixel_size_for(parted(0.0), parted(0.0).capture(name).capture, size)
    results = parted(0.2)
    assert pixel_size_for(results, results.capture("chip-sure").capture, size)[0].value == 3.0
    for name in ("chip-one", "slide-two"):
        with pytest.raises(NotMeasurable, match="lengths stay in px: its scale is in doubt"):
            pixel_size_for(results, results.capture(name).capture, size)


def test_no_plan_and_no_comparison_rests_on_a_scale_in_doubt() -> None:
    sure, doubtful = parted(0.0), parted(0.2)
    job = Job((3000, 2000), 20.0)
    assert {one.instrument for one in plan(sure, job)} == {"one", "two", "sure"}
    assert {one.instrument for one in plan(doubtful, job)} == {"sure"}
    assert [one.split(",")[0] for one in left_out(doubtful)] == ["one", "two"]
    compared = compare_benches(sure, doubtful)
    assert {one.instrument for one in compared.pairs} == {"sure"}
    assert sum("in the second bench is left out: its scale" in n for n in compared.notes) == 2


def test_a_die_of_which_every_scale_is_in_doubt_is_refused_with_the_reason(tmp_path: Path) -> None:
    from tests.die.benches import PX, bench_of_a_die
    from tests.die.drawn import shot

    folder = bench_of_a_die(
        tmp_path / "b", {"one": (PX, shot(pixel_um=PX)), "two": (2 * PX, shot(pixel_um=2 * PX))}
    )
    results = read_results(load_bench(folder))
    assert best_die(results, "chip").picture.name == "captures/chip-one.png"
    places = tuple((one.instrument.id, one.setting.id) for one in results.settings)
    doubt = Contradiction("calibrations of one chip", places, (), touches="scale")
    results = replace(results, contradictions=(doubt,))
    with pytest.raises(Unusable, match=r"no um can be told of 'chip': .*its scale is in doubt"):
        best_die(results, "chip")
    assert picture_of_capture(results, "captures/chip-one.png").pixel_size is None


def test_a_mosaic_made_with_another_scale_than_its_tiles_have_gives_no_um(tmp_path: Path) -> None:
    numbers = tmp_path / "mosaics/chip/mosaic.json"
    numbers.parent.mkdir(parents=True)
    numbers.write_text('{"tiles": [{"file": "one.png"}, 7]}', encoding="utf-8")
    results = parted(0.0)  # 1 um/px, known to 0.1 %
    tiles = _tiles_of(results, "chip", numbers.parent)
    for stated in (1.0, 1.011):
        _hold_scales(results, tiles, Quantity.of(stated, 0.001, "um/px"))
    with pytest.raises(Unusable, match=r"made with 1\.5.* um a px, and the bench measured 1\.0"):
        _hold_scales(results, tiles, Quantity.of(1.5, 0.001, "um/px"))
