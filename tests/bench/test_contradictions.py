"""Evidence that contradicts itself is named before anything, and no verdict leans on it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from tests.bench.made_up import bench_of, camera, captured, claim_of, eyepiece_view

from glassay.bench.chip.same_chip import SameChip, Twosome
from glassay.bench.document.filed import CHECKSUMS_FILE
from glassay.bench.document.model import (
    Bench,
    Capture,
    Claim,
    Instrument,
    Need,
    ReferenceObject,
    Setting,
)
from glassay.bench.document.read import load_bench
from glassay.bench.judging.contradictions import find_contradictions
from glassay.bench.judging.needs import answer_needs
from glassay.bench.keeping.filing import Filing, file_captures, start_bench
from glassay.bench.keeping.results import BenchResults, CaptureResult
from glassay.bench.measuring.assemble import assemble, read_results, results_as_json
from glassay.bench.measuring.settings import settle
from glassay.finding import Finding
from glassay.optics import Chain, Sensor
from glassay.quantity import Quantity
from glassay.report.answer import headline
from glassay.web.pages.overview import overview_html

ZOOM = claim_of(45, id="z", text="7x to 45x")
LOW = claim_of(7, id="z-low", text="7x to 45x", sense="at most")


def stereo(*claims: Claim) -> Instrument:
    """0.7x to 4.5x under a 10x eyepiece of field number 20: fields of 28.6 mm and 4.44 mm."""
    chain = Chain(zoom=(0.7, 4.5), eyepiece=10, field_number_mm=20)
    ends = [
        Setting(name, replace(chain, zoom=(zoom, zoom)), through_eyepiece=True)
        for name, zoom in (("wide", 0.7), ("close", 4.5))
    ]
    return Instrument("s", "stereo", chain, settings=tuple(ends), claims=claims)


def looked(division_factor: float, *claims: Claim) -> BenchResults:
    """The stereo microscope as it is, its slide filed with a division wrong by a factor."""
    shown = [
        captured("s", name, field * division_factor / 900, (1000, 900),
                 diameter=field * division_factor, name=f"{name}.jpg")
        for name, field in (("wide", 20_000 / 0.7), ("close", 20_000 / 4.5))
    ]  # fmt: skip
    return assemble(bench_of(stereo(*claims)), shown)


def kinds(results: BenchResults) -> list[str]:
    return [one.kind for one in results.contradictions]


@pytest.mark.parametrize("factor", [0.1, 10.0])
def test_a_tenfold_division_is_named_first_and_judges_nothing(factor: float) -> None:
    results = looked(factor, ZOOM, LOW)
    assert kinds(results) == ["chain against field"] * 2
    assert [verdict.word for verdict in results.verdicts] == ["undecided", "undecided"]
    assert "contradicts itself" in results.verdicts[0].sentence
    assert "check the division of the slide" in results.verdicts[0].sentence
    first = headline(results)[0]
    assert first.startswith("Contradiction: s, wide: the stated chain gives a field of 28.57 mm")
    page = str(overview_html(results))
    assert 0 < page.index("Contradiction:") < page.index("<table")
    assert len(results_as_json(results)["contradictions"]) == 2


def test_an_honest_division_contradicts_nothing() -> None:
    results = looked(1.0, ZOOM, LOW)
    assert kinds(results) == []
    assert [verdict.word for verdict in results.verdicts] == ["met", "met"]


def test_a_number_in_doubt_stands_in_no_cell_and_answers_no_need() -> None:
    results = looked(0.1, ZOOM)
    assert results.comparison.cell("s", "pixel_size").value is None
    bench = replace(results.bench, needs=(Need("n", "n", field_um=(1000, 1000)),))
    answer = answer_needs(replace(results, bench=bench)).answers[0]
    assert answer.word == "not shown"
    assert "contradicts itself" in answer.sentence


def test_a_seller_who_overstates_is_still_told_off() -> None:
    # A field a third wider than the chain states is within its reach (a forgotten 1.5x lens).
    claim = claim_of(40)
    results = assemble(bench_of(eyepiece_view(claim)),
                       [captured("stereo", "zoom-4", 7.2, (1000, 900), diameter=6600)])  # fmt: skip
    assert kinds(results) == []
    assert results.verdicts[0].word == "not met"


def test_a_stated_chain_is_held_against_the_sensor() -> None:
    # 2 um pixels behind 4x and a 0.5x adapter: 1 um at the object; 10 um is out of reach.
    chain = Chain(objective=4, adapter=0.5, sensor=Sensor(2.0, 1920, 1080))
    claim = claim_of(20_000, kind="field width", text="20 mm", unit="um")
    far = assemble(bench_of(camera(claim, chain=chain)), [captured("pad", "only", 10)])
    assert kinds(far) == ["chain against sensor"]
    assert far.verdicts[0].word == "undecided"
    near = assemble(bench_of(camera(claim, chain=chain)), [captured("pad", "only", 1.04)])
    assert kinds(near) == []


def test_an_adapter_that_nobody_stated_is_asked_for() -> None:
    # 2 um pixels behind 4x: 0.5 um at the object; 1.27 um are those of a 0.39x adapter, or of a
    # slide ruled in mils and filed in 10 um.
    chain = Chain(objective=4, sensor=Sensor(2.0, 1920, 1080))
    claim = claim_of(2000, kind="field width", text="2 mm", unit="um")
    found = assemble(bench_of(camera(claim, chain=chain)), [captured("pad", "only", 1.27)])
    assert kinds(found) == ["chain against sensor"]
    assert "state the adapter if there is one (0.3937x would fit)" in headline(found)[0]
    stated = replace(chain, adapter=0.4)
    assert (
        kinds(assemble(bench_of(camera(claim, chain=stated)), [captured("pad", "only", 1.27)]))
        == []
    )


def test_no_camera_takes_so_wide_an_image() -> None:
    # A tenfold division: a field of 19.2 mm behind 10x would be an image of 192 mm.
    claim = claim_of(10_000, kind="field width", text="10 mm", unit="um")
    pad = camera(claim, chain=Chain(objective=10))
    far = assemble(bench_of(pad), [captured("pad", "only", 10.0)])
    assert kinds(far) == ["chain against image"]
    assert far.verdicts[0].word == "undecided"
    assert "192.0" in headline(far)[0]
    assert kinds(assemble(bench_of(pad), [captured("pad", "only", 1.0)])) == []


def test_two_settings_that_are_not_in_their_stated_ratio_are_named() -> None:
    def looked_at(second: float) -> BenchResults:
        settings = tuple(Setting(f"x{m}", Chain(objective=m)) for m in (4, 10))
        pad = Instrument("pad", "compound", Chain(), settings=settings)
        shown = [captured("pad", "x4", 1.0), captured("pad", "x10", second, name="b.jpg")]
        return assemble(bench_of(pad), shown)

    assert kinds(looked_at(0.4)) == []
    assert kinds(looked_at(0.3)) == []
    (found,) = looked_at(1.0).contradictions
    assert found.kind == "settings against each other"
    assert set(found.places) == {("pad", "x4"), ("pad", "x10")}


def test_a_photo_smaller_than_its_sensor_is_not_the_cameras() -> None:
    claim = claim_of(1.0, kind="pixel size", text="1.0 um", unit="um/px", sense="at most")
    pad = camera(claim, chain=Chain(sensor=Sensor(2.0, 1920, 1080)))
    small = assemble(bench_of(pad), [captured("pad", "only", 2.0, (960, 540))])
    assert kinds(small) == ["smaller than the sensor"]
    assert small.verdicts[0].word == "undecided"
    assert kinds(assemble(bench_of(pad), [captured("pad", "only", 2.0)])) == []


def test_photos_of_two_zooms_in_one_setting_are_no_setting() -> None:
    claim = claim_of(1000, kind="field width", text="1000 um", unit="um")
    mixed = [captured("pad", "only", 1.0), captured("pad", "only", 2.0, name="b.jpg")]
    results = assemble(bench_of(camera(claim)), mixed)
    assert kinds(results) == ["photos of one setting"]
    assert results.verdicts[0].word == "undecided"
    steady = [captured("pad", "only", 1.0), captured("pad", "only", 1.004, name="b.jpg")]
    assert kinds(assemble(bench_of(camera(claim)), steady)) == []


def test_a_photo_of_another_camera_is_not_of_the_setting() -> None:
    """Other pixels of one field are a smaller picture, other fields of one pixel are cut out."""
    shown = captured("pad", "only", 1.0), captured("pad", "only", 2.4, (1600, 900), name="b.jpg")
    assert kinds(assemble(bench_of(camera()), shown)) == ["photos of one setting"]
    for pixel, size in ((1.5, (1280, 720)), (3.0, (640, 360)), (1.0, (1280, 720))):
        shown = captured("pad", "only", 1.0), captured("pad", "only", pixel, size, name="b.jpg")
        assert "photos of one setting" not in kinds(assemble(bench_of(camera()), shown))


@pytest.mark.parametrize(
    ("pixel_size", "picture", "is_cut"),
    [
        (1.0, (1300, 1080), True),  # the same pixels, fewer of them
        (1.5, (1280, 720), False),  # the same scene, made smaller by the camera
        (3.1, (611, 1013), True),  # no camera saves this shape
    ],
)
def test_a_photo_cut_out_of_another_is_not_the_cameras_field(
    pixel_size: float, picture: tuple[int, int], is_cut: bool
) -> None:
    shown = [
        captured("pad", "only", 1.0),
        captured("pad", "only", pixel_size, picture, name="b.jpg"),
    ]
    found = assemble(bench_of(camera()), shown).contradictions
    assert [(one.kind, one.in_doubt) for one in found] == [("cut out", ("b.jpg",))] * is_cut


def test_a_photo_with_an_even_frame_is_not_the_cameras() -> None:
    rim = Finding(Quantity(200.0, "px"), "calibration slide")
    shown = captured("pad", "only", 1.0, extra={"even_rim": rim})
    claim = claim_of(1000, kind="field width", text="1000 um", unit="um")
    results = assemble(bench_of(camera(claim)), [shown])
    assert kinds(results) == ["framed"]
    assert results.verdicts[0].word == "undecided"
    assert "an even frame around it, up to 200 px wide" in headline(results)[0]


def test_a_round_field_needs_an_eyepiece_to_be_said() -> None:
    shown = captured("pad", "only", 1.0, diameter=900)
    claim = claim_of(300)
    results = assemble(bench_of(camera(claim)), [shown])
    assert kinds(results) == ["round field"]
    assert results.verdicts[0].word == "undecided"
    assert "through_eyepiece = true" in headline(results)[0]


def test_calibrations_that_a_chip_parts_are_named() -> None:
    instruments = (camera(), replace(camera(), id="two"))
    shown = (Capture("a", ("a.jpg",), "pad", "only", "die"),
             Capture("b", ("b.jpg",), "two", "only", "die"))  # fmt: skip
    die = ReferenceObject("die", "chip")
    bench = replace(bench_of(*instruments), objects=(die,), captures=shown)

    def found(error: float) -> list[str]:
        off = Quantity.of(error, 0.001, "1")
        pair = Twosome("a", "b", None, "", off, off, "disagree")
        chip = SameChip("die", "a", (pair,))
        return [one.kind for one in find_contradictions(bench, (), (), (chip,))]

    assert found(0.1) == ["calibrations of one chip"]
    assert found(0.004) == []


def twice(first: ReferenceObject, second: ReferenceObject) -> list[str]:
    shown = tuple(
        Capture(f"a{i}", ("a.jpg",), "pad", "only", thing.id)
        for i, thing in enumerate((first, second))
    )
    bench = replace(bench_of(camera()), objects=(first, second), captures=shown)
    return [one.kind for one in find_contradictions(bench, (), ())]


def test_one_photo_shows_one_slide() -> None:
    ten = ReferenceObject("ten", "ruled scale", division_um=10)
    hundred = ReferenceObject("hundred", "ruled scale", division_um=100)
    grid = ReferenceObject("grid", "grid", division_um=50)
    chip, edge = ReferenceObject("c", "chip"), ReferenceObject("e", "edge")
    assert twice(ten, hundred) == twice(ten, grid) == ["filed twice"]
    assert twice(chip, edge) == []  # a chip has edges


def test_one_photo_was_not_taken_with_two_instruments() -> None:
    shown = (Capture("a", ("a.jpg",), "pad", "only", "slide"),
             Capture("b", ("b.jpg",), "two", "only", "slide"))  # fmt: skip
    bench = replace(bench_of(camera(), replace(camera(), id="two")), captures=shown)
    same = {"a.jpg": "0" * 64, "b.jpg": "0" * 64}
    assert [one.kind for one in find_contradictions(bench, (), (), contents=same)] == [
        "filed twice"
    ]
    other = {**same, "b.jpg": "1" * 64}
    assert find_contradictions(bench, (), (), contents=other) == ()


def test_a_capture_that_changed_since_it_was_filed_is_told(tmp_path: Path) -> None:
    from PIL import Image

    folder = tmp_path / "bench"
    start_bench(folder, "t")
    with (folder / "bench.toml").open("a") as document:
        document.write('\n[[instrument]]\nid = "pad"\nkind = "screen"\n')
    Image.new("L", (64, 48), 90).save(tmp_path / "a.png")
    bench = load_bench(folder)
    (filed,) = file_captures(bench, [Filing(tmp_path / "a.png", "pad", "as is", "slide")])
    assert filed.name in (folder / CHECKSUMS_FILE).read_text()
    assert kinds(read_results(load_bench(folder))) == []
    Image.new("L", (64, 48), 91).save(folder / filed.name)
    results = read_results(load_bench(folder))
    assert kinds(results) == ["changed file"]
    assert filed.name in headline(results)[0]
    json.dumps(results_as_json(results))


def test_verdicts_that_lean_on_nothing_doubtful_stand() -> None:
    """The round field of one setting says nothing against another."""
    claims = (claim_of(1900, kind="field width", text="1900 um", unit="um"),)
    chain = Chain()
    pad = Instrument("pad", "screen", chain, claims=claims,
                     settings=(Setting("wide", chain), Setting("close", chain)))  # fmt: skip
    shown: list[CaptureResult] = [
        captured("pad", "wide", 1.0),
        captured("pad", "close", 0.5, diameter=800, name="b.jpg"),
    ]
    bench: Bench = bench_of(pad)
    results = assemble(bench, shown)
    assert kinds(results) == ["round field"]
    assert results.verdicts[0].word == "met"
    assert len(settle(bench, shown)) == len(results.settings)
