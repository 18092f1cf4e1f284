"""The finest line told: one criterion for bars and edges, and bounds that never say yes."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from tests.bench.made_up import bench_of, camera, captured, claim_of

from glassay.bench.document.model import Capture, Sense
from glassay.bench.judging.hold_line import hold_line
from glassay.bench.keeping.results import BenchResults, CaptureResult, MethodResult
from glassay.bench.measuring.assemble import assemble, results_as_json
from glassay.bench.measuring.bars_told import bars_told
from glassay.bench.measuring.resolved import Resolved, finest_in
from glassay.bench.planning.plan import Job, plan
from glassay.bench.saying.finding_names import shown_of_capture, shown_of_setting
from glassay.bench.table.comparison import best_rows, cell_text
from glassay.finding import Finding
from glassay.quantity import Quantity

FILE = {"width": 1920, "height": 1080}


def cycles(value: float, u: float = 0.002) -> Finding:
    return Finding(Quantity.of(value, u, "cycles/px"), "made up")


def edge(value: float, u: float = 0.002, name: str = "edge", who: str = "pad") -> CaptureResult:
    return captured(who, "only", 1.0, extra={"frequency_10": cycles(value, u)}, name=name)


def pair(end: float, name: str = "pair", who: str = "pad") -> CaptureResult:
    ends = {key: cycles(end) for key in ("frc_cutoff", "frc_cutoff_x", "frc_cutoff_y")}
    return captured(who, "only", 1.0, extra=ends, name=name)


def elements(*read: tuple[float, float]) -> list[dict[str, Any]]:
    """Evidence of a target: frequency in lp/mm, contrast alike in both directions."""
    return [
        {"frequency": f, **{k: {"contrast": c, "contrast_u": 0.002} for k in ("upright", "level")}}
        for f, c in read
    ]


def bars(*read: tuple[float, float]) -> CaptureResult:
    findings = {
        "finest_frequency": Finding(Quantity.of(read[0][0], 1.0, "lp/mm"), "bar target"),
        "pixel_size_x": Finding(Quantity(1.0, "um/px"), "bar target"),
        "pixel_size_y": Finding(Quantity(1.0, "um/px"), "bar target"),
    }
    evidence = {"elements": elements(*read)}
    part = MethodResult("bar target", "measured", findings, evidence=evidence, facts=FILE)
    return CaptureResult(Capture("bars", ("bars.png",), "pad", "only", "slide"), (part,))


# Bars that end at about 110 lp/mm: lines of 4.6 um.
COARSE = bars((100, 0.4), (112, 0.05), (126, 0.0))


def bench(*results: CaptureResult) -> BenchResults:
    return assemble(bench_of(camera()), [captured("pad", "only", 1.0, name="slide"), *results])


def finest(*results: CaptureResult) -> Resolved:
    made = bench(*results)
    found = finest_in(made.settings[0], made.captures)
    assert found is not None
    return found


def test_bars_are_read_where_a_sine_of_their_period_keeps_ten_per_cent() -> None:
    # Coltman 1954 (from memory): fine square waves of modulation M show a contrast of 4 M / pi.
    fine = (100, 112, 126, 141, 159, 178, 200, 224)
    read = [(f, 4 / math.pi * math.exp(-f / 80)) for f in fine]
    read = [*((f, 1.0) for f in (1.0, 1.12, 1.26, 1.41)), *read]  # full contrast where it is coarse
    found = bars_told(elements(*read), 0.1)
    assert found is not None
    assert not found[1]
    assert found[0].value == pytest.approx(80 * math.log(10), rel=0.01)  # 184.2 lp/mm


def test_bars_of_less_contrast_are_held_against_their_own() -> None:
    fine = (100, 112, 126, 141, 159, 178, 200, 224)
    pale = [(f, 0.7 * 4 / math.pi * math.exp(-f / 80)) for f in fine]
    found = bars_told(elements(*((f, 0.7) for f in (1.0, 1.12, 1.26, 1.41)), *pale), 0.1)
    assert found is not None
    assert found[0].value == pytest.approx(80 * math.log(10), rel=0.01)


def test_bars_that_never_fall_are_told_at_least_and_those_that_start_low_not_at_all() -> None:
    told = bars_told(elements((100, 0.6), (112, 0.5)), 0.1)
    assert told is not None
    assert told[1]
    assert bars_told(elements((100, 0.05), (112, 0.02)), 0.1) is None
    made = bench(bars((100, 0.6), (112, 0.5)))  # lines of 4.46 um
    words = [hold_line(made.settings[0], made.captures, um).word for um in (5.0, 3.0)]
    assert words == ["yes", "not shown"]


def test_one_dusty_element_does_not_end_the_run_and_spurious_contrast_does_not_count() -> None:
    dusty = [(100, 0.5), (112, 0.02), (126, 0.3), (141, 0.05), (159, 0.01), (178, 0.3)]
    found = bars_told(elements(*dusty), 0.1)
    assert found is not None
    assert 126 < found[0].value < 141


def test_the_more_sceptical_of_bars_and_edges_counts_and_is_named() -> None:
    best = finest(edge(0.2), COARSE)  # the edges say 2.5 um
    assert best.kind == "bars"
    assert "bars" in best.how
    assert best.line.value == pytest.approx(4.6, rel=0.03)
    assert finest(edge(0.08), COARSE).kind == "edge"  # 6.25 um


def test_evidence_that_is_hardly_known_gives_way() -> None:
    assert finest(edge(0.05, 0.02), COARSE).kind == "bars"
    assert finest(edge(0.05, 0.02)).kind == "edge"


def test_of_several_edges_the_sharpest_counts_for_others_may_be_out_of_focus() -> None:
    assert finest(edge(0.1, name="blurred"), edge(0.2, name="sharp")).capture == "sharp"


@pytest.mark.parametrize(
    ("falls_at", "u", "below"),
    [(0.8, 0.01, 0.0), (0.6, 0.1, 0.0960), (0.5, 0.05, 0.0980)],
)
def test_a_response_that_falls_beyond_the_pixels_is_known_as_far_down_as_it_reaches(
    falls_at: float, u: float, below: float
) -> None:
    # The pixels carry 0.5 cycles/px, one pixel is 1 um; 1.96 u is the half-width of 95 %.
    told = finest(edge(falls_at, u))
    assert told.frequency.value == pytest.approx(0.5)
    assert told.frequency.expanded == pytest.approx(below, abs=2e-3)
    assert told.falls_at.value == pytest.approx(falls_at)


def test_sources_are_combined_before_the_pixels_bound_them() -> None:
    # Two that agree: beyond the pixels at 0.6 +- 0.2, and below at 0.48 +- 0.02.
    part = MethodResult(
        "superposed lines", "measured", {"frequency_10": cycles(0.48, 0.01)}, facts=FILE
    )
    slide = CaptureResult(Capture("rule", ("rule.png",), "pad", "only", "slide"), (part,))
    told = finest(edge(0.6, 0.1), slide)
    assert told.frequency.value == pytest.approx((0.6 + 100 * 0.48) / 101, rel=1e-4)
    assert told.frequency.u == pytest.approx(0.01, rel=0.01)


@pytest.mark.parametrize(("line_um", "word"), [(2.0, "no"), (3.0, "not shown"), (50, "not shown")])
def test_ring_correlation_alone_can_say_no_and_never_yes(line_um: float, word: str) -> None:
    made = bench(pair(0.2))  # detail repeats up to 0.2 cycles/px: lines of 2.5 um
    held = hold_line(made.settings[0], made.captures, line_um)
    (planned,) = plan(made, Job((1000, 1000), line_um))
    assert (held.word, planned.word) == (word, word)
    if word == "not shown":
        assert "sharp edge or a bar target" in held.shoot
        assert "sharp edge or a bar target" in planned.why


def test_ring_correlation_says_nothing_beside_an_edge() -> None:
    best = finest(edge(0.1), pair(0.2))
    assert (best.kind, best.is_bound) == ("edge", False)


def test_a_contrast_that_no_edge_shows_is_refused_by_bars_that_end_before() -> None:
    made = bench(COARSE)
    words = [hold_line(made.settings[0], made.captures, um, 0.3).word for um in (3.0, 9.0)]
    assert words == ["no", "not shown"]


def test_a_bound_is_marked_in_its_cell_and_never_the_best() -> None:
    instruments = [replace(camera(), id=name) for name in ("told", "bound", "worse")]
    made = assemble(
        bench_of(*instruments), [edge(0.1, who="told"), pair(0.4, "p", "bound"),
                                 edge(0.05, name="w", who="worse")],
    )  # fmt: skip
    column = next(c for c in made.comparison.columns if c.id == "finest_line")
    assert best_rows(made.comparison, column) == ("told",)
    assert cell_text(made.comparison.cell("bound", "finest_line"), column).startswith("≥ 1.25")
    assert cell_text(made.comparison.cell("told", "finest_line"), column).startswith("5.0")
    assert made.comparison.cell("bound", "detail_points").bound == "at most"
    rows = results_as_json(made)["comparison"]["rows"]
    assert [row["cells"]["finest_line"].get("bound") for row in rows] == [None, "at least", None]


def test_a_claimed_smallest_detail_is_never_met_by_a_bound() -> None:
    for claimed, word in ((1.0, "not met"), (3.0, "untested")):
        claim = claim_of(claimed, kind="smallest detail", text=f"{claimed} um", unit="um",
                         sense="at most")  # fmt: skip
        (verdict,) = assemble(bench_of(camera(claim)), [pair(0.25)]).verdicts
        assert verdict.word == word


@pytest.mark.parametrize(
    ("shown", "claimed", "sense", "word", "value", "words"),
    [
        # an edge that keeps 10 % at 0.2 cycles/px of 1 um tells lines of 1 / (2 x 0.2) = 2.5 um
        (
            [edge(0.2)],
            3.0,
            "at most",
            "met",
            2.5,
            "it is 2.500 ± 0.049 um in setting only (edge response,",
        ),
        ([edge(0.2)], 2.0, "at most", "not met", 2.5, "it is 2.500 ± 0.049 um in setting only"),
        ([edge(0.2)], 2.48, "at most", "undecided", 2.5, "it is 2.500 ± 0.049 um"),
        ([edge(0.2), edge(0.1, name="soft")], 3.0, "at most", "met", 2.5, "2.500 ± 0.049 um"),
        # ring correlation that ends at 0.25 cycles/px: no line finer than 2 um, and none is shown
        (
            [pair(0.25)],
            1.0,
            "at most",
            "not met",
            2.0,
            "no line finer than 2.000 ± 0.032 um can be",
        ),
        ([pair(0.25)], 3.0, "at most", "untested", None, "2.000 ± 0.032 um"),
        # bars that never fall tell lines of 1 / (2 x 112 lp/mm) = 4.46 um at least
        ([bars((100, 0.6), (112, 0.5))], 5.0, "at most", "met", 4.46, "4.4"),
        ([bars((100, 0.6), (112, 0.5))], 3.0, "at most", "untested", None, "4.4"),
    ],
)
def test_a_claimed_smallest_detail_is_held_against_the_finest_line_shown(
    shown: list[CaptureResult], claimed: float, sense: Sense, word: str, value: float | None,
    words: str,
) -> None:  # fmt: skip
    claim = claim_of(claimed, kind="smallest detail", text=f"{claimed} um", unit="um", sense=sense)
    (verdict,) = assemble(
        bench_of(camera(claim)), [captured("pad", "only", 1.0, name="slide"), *shown]
    ).verdicts
    assert (verdict.word, verdict.setting) == (word, "only" if value is not None else None)
    assert words in " ".join([verdict.sentence, *verdict.details])
    if value is None:
        assert verdict.value is None
        assert verdict.rule == ""
    else:
        assert verdict.value is not None
        assert verdict.value.value == pytest.approx(value, rel=0.002)
        assert f"at most {claimed:g} um" in verdict.rule


@pytest.mark.parametrize(
    ("shown", "wanted", "word", "said", "shoot"),
    [
        ([edge(0.2)], 3.0, "yes", "the finest lines are 2.500 ± 0.049 um wide (edge response,", ""),
        ([edge(0.2)], 2.0, "no", "the finest lines are 2.500 ± 0.049 um wide (edge response,", ""),
        ([edge(0.2)], 2.5, "not shown", "the finest lines are 2.500", "another capture of the same"),
        ([edge(0.2)], 0.9, "no", "at least one pixel, 1.0000 ± 0.0020 um", ""),
        ([pair(0.25)], 1.5, "no", "no lines finer than 2.000 ± 0.032 um are resolved", ""),
        ([pair(0.25)], 3.0, "not shown", "which does not show that wider ones are",
         "a photo of a sharp edge or a bar target"),
        ([], 3.0, "not shown", "no capture shows what is resolved",
         "a photo of a sharp edge or a bar target"),
        ([bars((100, 0.6), (112, 0.5))], 3.0, "not shown", "the finest lines are 4.4",
         "a finer bar target or a sharp edge"),
    ],
)  # fmt: skip
def test_a_line_that_is_needed_is_told_not_told_or_not_shown(
    shown: list[CaptureResult], wanted: float, word: str, said: str, shoot: str
) -> None:
    made = bench(*shown)
    held = hold_line(made.settings[0], made.captures, wanted)
    assert held.word == word
    assert said in held.said
    assert held.shoot.startswith(shoot) if shoot else held.shoot == ""
    assert (held.line is None) == (not shown)
    assert held.is_unseen == ("which does not show" in held.said)


def test_at_a_stated_contrast_only_edges_count() -> None:
    made = bench(pair(0.25))
    held = hold_line(made.settings[0], made.captures, 3.0, 0.3)
    assert held.word == "not shown"
    assert held.shoot == "a photo of a sharp edge"


def enlarged(factor: float) -> CaptureResult:
    findings = {
        key: Finding(Quantity.of(size / factor, 0.2, "px"), "native sampling")
        for key, size in (("native_width", 1920), ("native_height", 1080))
    }
    part = MethodResult("native sampling", "measured", findings, facts=FILE)
    return CaptureResult(Capture("twice", ("twice.png",), "pad", "only", "slide"), (part,))


def test_pixels_that_the_camera_made_up_are_not_counted() -> None:
    made = bench(enlarged(2.0))
    cells = made.comparison.rows[0].cells
    assert isinstance(cells["pixel_size"].value, Quantity)
    assert cells["pixel_size"].value.value == pytest.approx(2.0)
    assert isinstance(cells["saved_picture"].value, Quantity)
    assert cells["saved_picture"].value.value == pytest.approx(960 * 540 / 1e6)
    assert "2.074 MP are stored" in cells["saved_picture"].note
    assert any("enlarged 2.00 times" in note for note in made.comparison.notes)
    assert hold_line(made.settings[0], made.captures, 1.5).word == "no"
    # An edge seen beyond the native pixels' limit tells no line finer than one of them.
    assert finest(enlarged(2.0), edge(0.4)).line.value == pytest.approx(2.0)


def test_one_pixel_size_wherever_an_enlarged_instrument_is_told_of() -> None:
    """Table, setting, verdict and the end of detail count native pixels; those of the files are
    called so wherever they stand."""
    finer = claim_of(1.0, kind="pixel size", text="1.0 um", unit="um/px", sense="at most")
    pad = camera(claim_of(5000), replace(finer, id="p"))
    made = assemble(bench_of(pad), [captured("pad", "only", 1.0), enlarged(2.0)])
    one = made.settings[0]
    assert one.pixel is not None
    cell = made.comparison.rows[0].cells["pixel_size"].value
    assert isinstance(cell, Quantity)
    assert one.pixel.quantity.as_json() == cell.as_json()
    shown = {name: value.value for _, name, value in shown_of_setting(one) if "pixel" in name}
    assert shown == {
        "native pixel size": pytest.approx(2.0), "pixel size in enlarged files": pytest.approx(1.0),
    }  # fmt: skip
    photo = made.captures[0]
    names = [each.name for each in shown_of_capture(photo, made.settings, photo.findings)]
    assert names[0] == "pixel size in enlarged files"
    magnification, pixel = made.verdicts
    # With pixels of 1 um it would be met; what is enlarged from fewer is no pixel of the camera.
    assert pixel.word == "not met"
    assert pixel.value is not None
    assert pixel.value.value == pytest.approx(2.0)
    assert any(
        line.startswith("Native pixels count; those of its files, 1.00") for line in pixel.details
    )
    # wavelength / (4 x 2 um) x 1000, with 0.55 um
    assert magnification.detail_limit is not None
    assert magnification.detail_limit.value == pytest.approx(550 / 8)
    assert any("pixels of 2 um" in line for line in magnification.details)


def test_pixels_that_are_native_have_no_second_name() -> None:
    made = bench(enlarged(1.0))
    names = [name for _, name, _ in shown_of_setting(made.settings[0])]
    assert names[0] == "pixel size"
    assert not any("native" in name or "enlarged" in name for name in names)


def test_pixels_that_are_native_stay_what_they_are() -> None:
    cells = bench(enlarged(1.0)).comparison.rows[0].cells
    assert isinstance(cells["pixel_size"].value, Quantity)
    assert cells["pixel_size"].value.value == pytest.approx(1.0)
    assert cells["pixel_size"].note == cells["saved_picture"].note == ""


def test_sources_that_part_are_named_and_the_wider_line_counts() -> None:
    def shown(kind: str, frequency: float, name: str) -> CaptureResult:
        found = {
            "frequency_10": Finding(
                Quantity.of(frequency, 0.02 * frequency, "cycles/px", "n"), kind
            )
        }
        one = captured("pad", "only", 1.0, name=name)
        return replace(one, parts=(*one.parts, MethodResult(kind, "measured", found)))

    parted = [shown("edge response", 0.40, "a.jpg"), shown("superposed lines", 0.25, "b.jpg")]
    results = assemble(bench_of(camera()), parted)
    (found,) = results.contradictions
    assert found.kind == "finest line by two sources"
    assert results.doubts == ()
    assert any("2.000 ± 0.078 um by another" in note for note in results.comparison.notes)
    finest = finest_in(results.settings[0], results.captures)
    assert finest is not None
    assert finest.line.value == pytest.approx(2.0)
    # so far apart, it is the scale: no length of the setting is leaned on
    far = [shown("edge response", 0.40, "a.jpg"), shown("superposed lines", 0.05, "b.jpg")]
    apart = assemble(bench_of(camera()), far)
    assert [one.kind for one in apart.contradictions] == ["finest line by two scales"]
    assert [one.touches for one in apart.doubts] == ["scale"]
    assert apart.comparison.rows[0].cells["pixel_size"].value is None
    agreed = [shown("edge response", 0.26, "a.jpg"), shown("superposed lines", 0.25, "b.jpg")]
    assert assemble(bench_of(camera()), agreed).contradictions == ()
