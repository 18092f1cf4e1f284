"""Photos of a die made through one instrument settle claims on the instrument it came from."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image
from tests.bench.slides import draw_slide
from tests.lattice.drawn_dies import drawn_die, stored

from glassay.bench.document.mistakes import BenchMistakes
from glassay.bench.document.read import load_bench, parse_bench
from glassay.bench.keeping.results import BenchResults, Verdict
from glassay.bench.measuring.assemble import run_bench

TEXT = """
[[object]]
id = "slide"
kind = "ruled scale"
division = "10 um"

[[object]]
id = "coarse-slide"
kind = "ruled scale"
division = "20 um"

[[object]]
id = "die"
kind = "pixel array"
sensor_of = "wand"

[[instrument]]
id = "scope"
kind = "compound"
[[instrument.setting]]
id = "near"
[[instrument.setting]]
id = "far"
[[instrument.claim]]
kind = "sensor pixels"
value = "8 MP"
where = "box"

[[instrument]]
id = "wand"
kind = "USB"
[[instrument.claim]]
kind = "sensor pixels"
value = "2 MP"
where = "listing"
[[instrument.claim]]
kind = "sensor pixels"
value = "0.4 MP"
where = "sheet"
[[instrument.claim]]
kind = "sensor pixel pitch"
value = "2.8 um"
where = "sheet"
tolerance = "1 %"
[[instrument.claim]]
kind = "sensor width"
value = "3 mm"
where = "sheet"
[[instrument.claim]]
kind = "photo pixels"
value = "12 MP"
where = "box"
[[instrument.teardown]]
part = "image sensor"
captures = ["captures/near-die.png", "captures/far-die.png"]

[[capture]]
file = "captures/near-slide.jpg"
instrument = "scope"
setting = "near"
object = "slide"

[[capture]]
file = "captures/far-slide.jpg"
instrument = "scope"
setting = "far"
object = "coarse-slide"

[[capture]]
file = "captures/near-die.png"
instrument = "scope"
setting = "near"
object = "die"

[[capture]]
file = "captures/far-die.png"
instrument = "scope"
setting = "far"
object = "die"
"""

PITCH_UM, COLUMNS, ROWS = 2.8, 800, 600
NEAR_UM, FAR_UM = 0.7, 4.0


def make_bench(folder: Path) -> BenchResults:
    """A die of 800 x 600 pixels of 2.8 um, close up and whole, with a slide in either setting."""
    captures = folder / "captures"
    draw_slide(captures / "near-slide.jpg", pixel_size_um=NEAR_UM)
    draw_slide(captures / "far-slide.jpg", pixel_size_um=FAR_UM, division_um=20.0, seed=1)
    near = drawn_die(PITCH_UM / NEAR_UM, tilt_deg=3)
    far = drawn_die(PITCH_UM / FAR_UM, pixels=(COLUMNS, ROWS), size=(640, 480), blur_px=1.0)
    Image.fromarray(stored(near)).save(captures / "near-die.png")
    Image.fromarray(stored(far)).save(captures / "far-die.png")
    (folder / "bench.toml").write_text(TEXT)
    return run_bench(load_bench(folder), jobs=1)


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> BenchResults:
    return make_bench(tmp_path_factory.mktemp("bench"))


def verdict(results: BenchResults, instrument: str, kind: str, text: str = "") -> Verdict:
    return next(
        one
        for one in results.verdicts_of(instrument)
        if one.claim.kind == kind and text in one.claim.text
    )


def test_a_close_up_gives_the_pitch_in_um_by_its_settings_scale(results: BenchResults) -> None:
    pitch = results.capture("captures/near-die.png").findings["pitch_x"].quantity
    assert pitch.unit == "um"
    assert pitch.value == pytest.approx(PITCH_UM, rel=0.002)
    assert any("slide" in part.source or part.scope == "reference" for part in pitch.contributions)


def test_an_overview_is_counted_with_the_close_ups_pitch(results: BenchResults) -> None:
    overview = results.capture("captures/far-die.png")
    columns, rows = (overview.findings[key].quantity for key in ("columns", "rows"))
    assert columns.value == pytest.approx(COLUMNS, rel=0.005)
    assert rows.value == pytest.approx(ROWS, rel=0.005)
    assert abs(columns.value - COLUMNS) <= columns.expanded
    assert any("near-die.png" in note for note in overview.notes)
    width = overview.findings["array_width"].quantity
    assert width.unit == "um"
    assert width.value == pytest.approx(COLUMNS * PITCH_UM, rel=0.005)


def test_megapixel_claims_of_the_opened_instrument_are_judged(results: BenchResults) -> None:
    assert verdict(results, "wand", "sensor pixels", "2 MP").word == "not met"
    kept = verdict(results, "wand", "sensor pixels", "0.4 MP")
    assert kept.word == "met"
    assert kept.value is not None
    assert kept.value.value == pytest.approx(0.48, rel=0.01)
    assert "own die" in kept.sentence
    assert any("800 x" in line or "801 x" in line or "799 x" in line for line in kept.details)


def test_pitch_and_width_claims_are_judged(results: BenchResults) -> None:
    assert verdict(results, "wand", "sensor pixel pitch").word == "met"
    assert verdict(results, "wand", "sensor width").word == "not met"


def test_a_sensor_too_small_refutes_a_claim_on_photo_pixels(results: BenchResults) -> None:
    refuted = verdict(results, "wand", "photo pixels")
    assert refuted.word == "not met"
    assert "no picture can hold more" in refuted.sentence


def test_the_instrument_that_photographed_the_die_gains_nothing_from_it(
    results: BenchResults,
) -> None:
    assert verdict(results, "scope", "sensor pixels").word == "untested"


def test_sensor_of_must_name_an_instrument_and_belongs_to_pixel_arrays(tmp_path: Path) -> None:
    with pytest.raises(BenchMistakes, match="there is no instrument 'wond'"):
        parse_bench(TEXT.replace('sensor_of = "wand"', 'sensor_of = "wond"'), tmp_path)
    wrong = TEXT.replace('division = "10 um"', 'division = "10 um"\nsensor_of = "wand"', 1)
    with pytest.raises(BenchMistakes, match="only an object of kind"):
        parse_bench(wrong, tmp_path)
