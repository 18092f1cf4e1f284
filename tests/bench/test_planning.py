"""Plans: tiles that cover, focus steps that reach, and the setting that takes the fewest shots."""

from __future__ import annotations

import csv
import io
import itertools
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from tests.bench.made_up import bench_of, camera, captured, claim_of, eyepiece_view
from tests.report.benches import measured

from glassay.bench.document.model import Setting
from glassay.bench.keeping.results import BenchResults, MethodResult
from glassay.bench.measuring.assemble import assemble
from glassay.bench.planning.plan import Job, cover, focus_steps, plan, plan_as_json
from glassay.cli import program
from glassay.errors import NotMeasurable, Unusable
from glassay.finding import Finding
from glassay.optics import Chain
from glassay.quantity import Quantity
from glassay.report.tile_map import as_csv, as_page, say_bytes, say_time


@given(
    st.floats(100, 20_000), st.floats(100, 20_000), st.floats(300, 5_000), st.floats(300, 5_000),
    st.floats(0, 0.5),
)  # fmt: skip
def test_tiles_cover_the_die_with_at_least_the_overlap(
    width: float, height: float, across: float, down: float, overlap: float
) -> None:
    tiling = cover((width, height), (across, down), overlap)
    tiles = list(tiling.tiles())
    assert len(tiles) == tiling.count
    assert [tile.number for tile in tiles] == list(range(1, tiling.count + 1))
    for side, view, values, shared in (
        (tiling.die_um[0], across, sorted({t.x_um for t in tiles}), tiling.overlap[0]),
        (tiling.die_um[1], down, sorted({t.y_um for t in tiles}), tiling.overlap[1]),
    ):
        assert values[0] - view / 2 <= 1e-6
        assert values[-1] + view / 2 >= side - 1e-6
        gaps = [b - a for a, b in itertools.pairwise(values)]
        assert all(gap <= (1 - overlap) * view * (1 + 1e-6) for gap in gaps)
        if gaps:
            assert shared == pytest.approx(1 - gaps[0] / view)
    for one, after in itertools.pairwise(tiles):  # every move is to a neighbour
        assert abs(one.column - after.column) + abs(one.row - after.row) == 1


def test_the_numbers_of_a_cover_done_by_hand() -> None:
    # 3.2 mm in fields of 1 mm at 20 %: 1 + ceil(2.2 / 0.8) = 4; 2.1 mm in 0.75 mm: 1 + ceil(2.25).
    tiling = cover((3200, 2100), (1000, 750), 0.2)
    assert (tiling.columns, tiling.rows, tiling.turned) == (4, 4, False)
    assert cover((900, 700), (1000, 750), 0.2).count == 1
    # A tall die in a wide field: 2 x 2 as it lies (0.7 does not hold 0.9), 1 x 1 turned.
    turned = cover((700, 990), (1000, 750), 0.2)
    assert (turned.count, turned.turned, turned.die_um) == (1, True, (990, 700))


@given(st.floats(0, 500), st.floats(0.5, 60))
def test_focus_steps_reach_through_the_relief(relief: float, depth: float) -> None:
    steps, step = focus_steps(relief, depth)
    assert (steps - 1) * step + depth >= relief - 1e-6
    assert step <= 0.8 * depth + 1e-9
    assert steps == 1 or (steps - 2) * 0.8 * depth + depth < relief + 1e-6  # none too many


def edge(value: float) -> dict[str, Finding]:
    return {"frequency_10": Finding(Quantity.of(value, 0.001, "cycles/px"), "edge")}


def two_settings() -> BenchResults:
    far, near = Setting("far", Chain(numerical_aperture=0.1)), Setting("near", Chain())
    instrument = replace(camera(), settings=(far, near))
    return assemble(
        bench_of(instrument, eyepiece_view(claim_of(40))),
        [
            captured("pad", "far", 4.0, relative_u=0, name="f.jpg", extra=edge(0.4)),  # 5 um
            captured("pad", "near", 1.0, relative_u=0, name="n.jpg", extra=edge(0.25)),  # 2 um
            captured("stereo", "zoom-4", 2.0, diameter=5000, name="s.jpg"),
        ],
    )  # fmt: skip


def test_the_widest_setting_that_resolves_the_line_comes_first() -> None:
    results = two_settings()
    coarse = plan(results, Job((6000, 4000), 6.0))
    assert [(p.setting, p.word, p.tiling.count) for p in coarse] == [
        ("far", "yes", 1), ("near", "yes", 4 * 5),
    ]  # fmt: skip
    fine = plan(results, Job((6000, 4000), 2.5))
    assert [(p.setting, p.word) for p in fine] == [("near", "yes"), ("far", "no")]
    assert "a line takes at least one pixel" in fine[1].why
    assert {p.instrument for p in fine} == {"pad"}  # a view by eye is not photographed in tiles


def test_a_setting_that_is_not_for_chips_is_in_no_plan() -> None:
    results = two_settings()
    job = Job((2000, 2000), 10)
    names = {one.setting for one in plan(results, job)}
    settings = tuple(
        replace(one, setting=replace(one.setting, for_chips=one.setting.id != min(names)))
        for one in results.settings
    )
    left = {one.setting for one in plan(replace(results, settings=settings), job)}
    assert left == names - {min(names)}
    assert len(names) == 2


def test_depth_of_field_follows_the_aperture_and_the_pixels() -> None:
    # n wavelength / NA^2 (55 um at NA 0.1 and 0.55 um, published table) + p / NA = 40 um.
    far = plan(two_settings(), Job((6000, 4000), 6.0, relief_um=200))[0]
    assert far.depth == pytest.approx(55 + 40)
    assert (far.steps, far.shots) == (3, 3)  # 95 + 2 x 76 reach 247 um, 95 + 76 do not reach 200
    assert far.time_s == pytest.approx(3 * 5 + 15)
    data = plan_as_json(far)
    assert data["focus_steps"] == 3
    assert data["mosaic_px"] == [1500, 1000]


def test_time_and_storage_count_every_exposure() -> None:
    results = two_settings()
    one = plan(results, Job((6000, 4000), 2.5))[0]
    three = plan(results, Job((6000, 4000), 2.5, exposures=3))[0]
    assert three.shots == 3 * one.shots
    assert three.bytes == pytest.approx(3 * one.bytes)
    assert one.bytes == pytest.approx(20 * 0.6 * 1920 * 1080)
    assert any("estimated" in note for note in one.notes)


def test_what_makes_no_plan_is_refused() -> None:
    with pytest.raises(NotMeasurable, match="ruled scale"):
        plan(assemble(bench_of(camera()), []), Job((1000, 1000), 1))
    with pytest.raises(Unusable, match="wrong unit"):
        plan(two_settings(), Job((9e6, 9e6), 2.5))
    with pytest.raises(Unusable, match="overlap"):
        Job((1, 1), 1, overlap=0.95)


def test_the_map_shows_every_tile_and_the_csv_its_place() -> None:
    results, job = two_settings(), Job((6000, 4000), 2.5)
    one = plan(results, job)[0]
    page = as_page(results, job, one)
    assert page.count('class="field"') == one.tiling.count == 20
    assert page.count("<td>☐</td>") == 20
    rows = list(csv.DictReader(io.StringIO(as_csv(one))))
    assert len(rows) == 20
    assert (rows[0]["x (um)"], rows[0]["y (um)"]) == ("960.00", "540.00")
    many = plan(results, Job((60_000, 40_000), 2.5))[0]
    assert "too many to number" in as_page(results, job, many)


def test_words_for_time_and_storage() -> None:
    assert [say_time(s) for s in (40, 720, 12_000)] == ["40 s", "12 min", "3 h 20 min"]
    assert [say_bytes(b) for b in (5e4, 3.4e8, 1.2e9, 2e12)] == [
        "50 kB",
        "340 MB",
        "1.2 GB",
        "2 TB",
    ]


def test_the_command_plans_from_measured_results(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    measured(folder)
    page, places = tmp_path / "map.html", tmp_path / "tiles.csv"
    job = ["plan", str(folder), "--die", "1.8 mm x 1.4 mm", "--line", "3 um"]
    more = ["--relief", "20 um", "--with", "pad/near"]
    job = ["plan", str(folder), "--die", "1.8 mm x 1.4 mm", "--line", "3 um"]
    more = ["--relief", "20 um", "--with", "pad/near"]
    arguments = [*job, *more, "--map", str(page), "--positions", str(places)]
    result = CliRunner().invoke(program, arguments)
    assert result.exit_code == 0, result.output
    # Fields of 0.8 mm x 0.6 mm at 20 %: 3 x 3 as it lies, 2 x 4 turned.
    assert "2 x 4 = 8 tiles, die turned by 90 degrees" in result.output
    assert "its depth of field is not known" in result.output
    assert page.is_file()
    assert len(places.read_text().splitlines()) == 9
    unsure = CliRunner().invoke(program, job)
    assert unsure.exit_code == 3
    assert "no setting was shown to resolve that line" in unsure.output


def test_photos_that_wait_are_to_be_measured_before_others_are_taken() -> None:
    taken = captured("pad", "only", 0.5)
    waits = replace(taken, parts=(MethodResult("ruled scale", "not run"),))
    results = assemble(bench_of(camera()), [waits])
    with pytest.raises(NotMeasurable, match=r"run the bench first: a\.jpg is not measured yet"):
        plan(results, Job((3000, 2000), 1))
    with pytest.raises(NotMeasurable, match="photograph a ruled scale"):
        plan(assemble(bench_of(camera()), []), Job((3000, 2000), 1))
