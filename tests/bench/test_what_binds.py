"""What binds a setting, from results of captures; claims of pixels against what files can hold."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from tests.bench.made_up import bench_of, camera, captured, claim_of

from glassay.bench.document.model import Capture, ReferenceObject
from glassay.bench.judging.judge import judge
from glassay.bench.keeping.results import CaptureResult, MethodResult, SettingResult
from glassay.bench.measuring import run
from glassay.bench.measuring.assemble import assemble, results_as_json
from glassay.bench.measuring.resolved import finest_in
from glassay.bench.measuring.settings import settle
from glassay.finding import Finding
from glassay.optics import Chain
from glassay.quantity import Quantity


def cycles(value: float) -> Finding:
    return Finding(Quantity.of(value, 0.01 * value, "cycles/px"), "edges")


def setting(*results: CaptureResult, chain: Chain | None = None) -> SettingResult:
    bench = bench_of(camera(chain=chain))
    (one,) = settle(bench, results)
    return one


def native_pair(width: float, height: float, name: str = "pair") -> CaptureResult:
    """A pair of 1920 x 1080 px files whose native size is known."""
    findings = {
        "native_width": Finding(Quantity(width, "px"), "native sampling"),
        "native_height": Finding(Quantity(height, "px"), "native sampling"),
        "native_megapixels": Finding(Quantity(width * height / 1e6, "MP"), "native sampling"),
    }
    facts = {"width": 1920, "height": 1080}
    part = MethodResult("native sampling", "measured", findings, facts=facts)
    return CaptureResult(Capture(name, (f"{name}.png",), "pad", "only", "slide"), (part,))


def test_edges_give_a_sentence_with_both_pixel_counts() -> None:
    one = setting(captured("pad", "only", 1.0, extra={"frequency_10": cycles(0.125)}))
    assert one.binding is not None
    # 4 x 0.125 x 0.125 of the file's pixels, 1920 x 1080 / 16.
    assert one.binding.detail_pixels.value == pytest.approx(1920 * 1080 / 16)
    assert "the file has 2.1 million pixels; the detail in it would fit in 0.13 million" in (
        one.binding.sentence
    )
    assert "10 % modulation of edges in a.jpg" in one.binding.notes[0]


def test_enlargement_found_in_a_pair_binds_the_edges_of_another_photo() -> None:
    sharp = captured("pad", "only", 1.0, extra={"frequency_10": cycles(0.4)})
    assert setting(sharp, native_pair(960, 540)).binding.cause == "interpolation"  # type: ignore[union-attr]
    assert setting(sharp, native_pair(1920, 1080)).binding.cause == "sampling"  # type: ignore[union-attr]


def test_a_stated_aperture_binds_where_detail_reaches_its_cutoff() -> None:
    # NA 0.11 at 0.55 um passes 0.4 cycles/um; at 0.5 um/px that is 0.2 cycles/px.
    chain = Chain(numerical_aperture=0.11)
    one = setting(captured("pad", "only", 0.5, extra={"frequency_10": cycles(0.16)}), chain=chain)
    assert one.binding is not None
    assert one.binding.cause == "optics"


def test_a_correlation_without_an_end_is_no_detail_where_edges_say_otherwise() -> None:
    endless = {
        "frc_cutoff": cycles(0.5), "frc_cutoff_x": cycles(0.5), "frc_cutoff_y": cycles(0.5),
        "frc_reaches_nyquist": Finding(True, "ring correlation"),
    }  # fmt: skip
    pair = captured("pad", "only", 1.0, extra=endless, name="pair")
    edge = captured("pad", "only", 1.0, extra={"frequency_10": cycles(0.2)}, name="edge")
    alone, both = setting(pair), setting(pair, edge)
    assert alone.binding is not None
    assert both.binding is not None
    assert alone.binding.detail_pixels.value == pytest.approx(1920 * 1080)
    assert both.binding.detail_pixels.value == pytest.approx(0.16 * 1920 * 1080)
    told, bound = finest_in(both, (pair, edge)), finest_in(alone, (pair,))
    assert told is not None
    assert bound is not None
    assert (told.capture, told.is_bound, bound.capture, bound.is_bound) == (
        "edge", False, "pair", True
    )  # fmt: skip


def test_what_an_eye_sees_is_not_bound_by_the_pixels_of_a_phone() -> None:
    bench = bench_of(camera(through_eyepiece=True))
    (one,) = settle(bench, [captured("pad", "only", 1.0, extra={"frequency_10": cycles(0.1)})])
    assert one.binding is None


def test_table_and_data_tell_what_binds() -> None:
    shot = captured("pad", "only", 1.0, extra={"frequency_10": cycles(0.4)})
    results = assemble(bench_of(camera()), [shot])
    cells = results.comparison.rows[0].cells
    assert cells["binds"].value == "sampling"
    assert cells["detail_points"].value.value == pytest.approx(0.64 * 1920 * 1080 / 1e6)  # type: ignore[union-attr]
    told = results_as_json(results)["settings"][0]["binding"]
    assert told["cause"] == "sampling"
    assert told["file_pixels"] == 1920 * 1080


def test_no_file_holds_more_pixels_than_it_stores() -> None:
    claim = replace(claim_of(16, unit="MP"), kind="photo pixels", text="16 MP")
    small = captured("pad", "only", 1.0)
    bench = bench_of(camera(claim))
    (verdict,) = judge(bench, settle(bench, [small]), [small])
    assert verdict.word == "not met"
    assert "2.074 million pixels in all" in verdict.sentence
    # A file that is large enough proves nothing by its size.
    modest = replace(claim, value=2.0, text="2 MP")
    bench = bench_of(camera(modest))
    (verdict,) = judge(bench, settle(bench, [small]), [small])
    assert verdict.word == "untested"


def test_a_pair_that_cannot_tell_is_named_with_what_to_do() -> None:
    claim = replace(claim_of(2, unit="MP"), kind="photo pixels", text="2 MP")
    part = MethodResult(
        "native sampling", "measured", {"native_verdict": Finding("cannot tell", "native")},
        ("repeat the pair at better quality",),
    )  # fmt: skip
    pair = CaptureResult(Capture("pair", ("a.jpg", "b.jpg"), "pad", "only", "slide"), (part,))
    (verdict,) = judge(bench_of(camera(claim)), (), [pair])
    assert verdict.word == "untested"
    assert "pair does not tell: repeat the pair at better quality" in verdict.sentence


def test_a_native_count_is_not_taken_for_the_sensors() -> None:
    claim = replace(claim_of(8, unit="MP"), kind="sensor pixels", text="8 MP")
    (verdict,) = judge(bench_of(camera(claim)), (), [native_pair(960, 540)])
    assert verdict.word == "untested"
    assert "0.5184 million real pixels" in verdict.sentence
    assert "own die" in verdict.sentence


def aside_on_chip(status: str, *, also: MethodResult | None = None) -> CaptureResult:
    part = run._as_made(MethodResult("edge response", status, reason="no edge"), aside=True)  # type: ignore[arg-type]
    parts = (part,) if also is None else (also, part)
    return CaptureResult(Capture("chip", ("chip.png",), "pad", "only", "chip"), parts)


def test_nothing_found_aside_is_no_failure_of_a_capture() -> None:
    alone = aside_on_chip("refused")
    assert (alone.status, alone.reason) == ("no method", "no edge")
    scale = MethodResult("ruled scale", "measured")
    assert (aside_on_chip("refused", also=scale).status) == "measured"
    assert aside_on_chip("refused", also=scale).reason == ""
    # What was found aside does not hide that the scale was refused.
    refused = MethodResult("ruled scale", "refused", reason="no scale")
    assert aside_on_chip("measured", also=refused).status == "refused"
    assert aside_on_chip("measured", also=refused).reason == "no scale"


def test_edges_of_scales_are_looked_at_once_in_each_setting() -> None:
    bench = replace(
        bench_of(camera()),
        objects=(
            ReferenceObject("slide", "ruled scale", division_um=10), ReferenceObject("chip", "chip")
        ),
        captures=tuple(
            Capture(name, (name,), "pad", "only", thing)
            for name, thing in (("a", "slide"), ("b", "slide"), ("c", "chip"), ("d", "chip"))
        ),
        folder=Path("."),
    )  # fmt: skip
    looked = [
        capture.id
        for capture in bench.captures
        if any(method.name == "edge response" for method in run._methods(bench, capture))
    ]
    assert looked == ["a", "c", "d"]
