"""Claims held against findings: the decision rule, and magnification under every reading."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.bench.made_up import bench_of, camera, captured, claim_of, eyepiece_view

from glassay.bench.document.model import Claim, Instrument, Sense, Setting
from glassay.bench.judging.decide import Allowed, allowed_by, decide, guarded
from glassay.bench.judging.judge import judge
from glassay.bench.judging.magnification import detail_limit, judged_readings
from glassay.bench.keeping.results import CaptureResult, SettingResult, Verdict
from glassay.bench.measuring.settings import settle
from glassay.bench.saying.verdicts import tally
from glassay.finding import Finding
from glassay.optics import Chain, Display, Sensor
from glassay.quantity import Quantity
from glassay.units import half_last_digit


def verdict_on(instrument: Instrument, *captures: CaptureResult) -> Verdict:
    bench = bench_of(instrument)
    return judge(bench, settle(bench, captures), captures)[0]


# ---- the decision rule (JCGM 106:2012, guarded acceptance and guarded rejection) ----------------


@pytest.mark.parametrize(
    ("value", "u", "claimed", "sense", "tolerance", "word"),
    [
        (110, 2, 100, "at least", 0.0, "met"),
        (103, 2, 100, "at least", 0.0, "undecided"),
        (97, 2, 100, "at least", 0.0, "undecided"),
        (90, 2, 100, "at least", 0.0, "not met"),
        (97, 0.5, 100, "at least", 0.05, "met"),
        (95.5, 0.5, 100, "at least", 0.05, "undecided"),
        (93, 0.5, 100, "at least", 0.05, "not met"),
        (90, 2, 100, "at most", 0.0, "met"),
        (110, 2, 100, "at most", 0.0, "not met"),
        (100, 0, 100, "at least", 0.0, "met"),
        (100, 0, 100, "at most", 0.0, "met"),
        (101, 0.5, 100, "equal", 0.05, "met"),
        (105, 0.5, 100, "equal", 0.05, "undecided"),
        (107, 0.5, 100, "equal", 0.05, "not met"),
        (93, 0.5, 100, "equal", 0.05, "not met"),
    ],
)
def test_a_claim_is_decided_outside_the_guard_band_only(
    value: float, u: float, claimed: float, sense: Sense, tolerance: float, word: str
) -> None:
    claim = claim_of(claimed, sense=sense, tolerance=tolerance)
    decision = decide(Quantity.of(value, u, "1"), claimed, claim)
    assert decision.word == word
    assert "JCGM 106:2012" in decision.rule
    assert f"{sense} {claimed:g}x" in decision.rule


def test_the_guard_band_ends_exactly_at_the_expanded_uncertainty() -> None:
    value = Quantity.of(100.0, 2.0, "1")
    met, missed = 100 - value.expanded, 100 + value.expanded
    assert guarded(value, met, math.inf) == "met"
    assert guarded(value, met * (1 + 1e-12), math.inf) == "met", "equal but for rounding"
    assert guarded(value, met * (1 + 1e-7), math.inf) == "undecided"
    assert guarded(value, missed, math.inf) == "undecided"
    assert guarded(value, missed * (1 + 1e-12), math.inf) == "undecided", "equal but for rounding"
    assert guarded(value, missed * (1 + 1e-7), math.inf) == "not met"
    assert guarded(value, -math.inf, math.inf) == "met"
    # Next to a limit of nothing nothing is lost in rounding.
    assert guarded(Quantity(-1e-12, "1"), 0.0, math.inf) == "not met"


def test_the_rule_says_what_widens_a_claim_and_what_is_exact() -> None:
    wide = claim_of(100, text="100x", tolerance=0.05)
    told = decide(Quantity(101, "1"), 100, wide)
    assert "at least 100x with its stated tolerance of 0.05;" in told.rule
    assert told.rule.endswith("value 101x, U = 0 (stated numbers).")
    assert told.by_digits == ""
    assert allowed_by(wide, 100.0) == Allowed(95.0, 105.0, " with its stated tolerance of 0.05")
    assert allowed_by(claim_of(100, text="many"), 100.0) == Allowed(100.0, 100.0)
    plain = decide(Quantity.of(150, 1, "1"), 100, claim_of(100))
    assert plain.by_digits == "", "the digits of the figure decide nothing here"
    close = decide(Quantity.of(99.8, 0.01, "1"), 100, claim_of(100))
    assert (close.word, close.by_digits) == ("met", "99.5x to 100.5x")


def test_the_rule_is_told_in_the_unit_of_the_claim() -> None:
    field = claim_of(28_000, kind="field width", text="28 mm", unit="um")
    rule = decide(Quantity.of(28_429, 34, "um"), 28_000, field).rule
    assert "Claim: at least 28 mm, as printed 27.5 mm to 28.5 mm; value 28.43 mm" in rule
    assert "U = 0.067 mm (k = 1.96)" in rule
    battery = claim_of(14_400, kind="battery time", text="4 h", unit="s")
    told = decide(Quantity.of(15_600, 300, "s"), 14_400, battery).rule
    assert "at least 4 h, as printed 3.5 h to 4.5 h; value 4.333 h, U = 0.16 h" in told
    minutes = claim_of(15_600, kind="battery time", text="4 h 20 min", unit="s")
    assert "at least 15600 s" in decide(Quantity(15_600, "s"), 15_600, minutes).rule


def test_the_rule_counts_the_expanded_uncertainty_with_its_degrees_of_freedom() -> None:
    # 2 degrees of freedom: k = 4.30 (JCGM 100:2008, table G.2), so 99.5 + 4 x 1 is within U.
    few = Quantity.of(103.5, 1, "1", dof=2)
    assert decide(few, 100, claim_of(100)).word == "undecided"
    assert decide(Quantity.of(103.5, 1, "1"), 100, claim_of(100)).word == "met"


def test_an_equal_claim_is_meant_to_the_digits_in_which_it_stands() -> None:
    assert half_last_digit("2.0 um") == pytest.approx(0.025)
    assert half_last_digit("3.45 um") == pytest.approx(0.005 / 3.45)
    assert half_last_digit("1.1e3 um") == half_last_digit("+1.1 mm") == pytest.approx(0.05 / 1.1)
    assert half_last_digit("7.5E-1um") == pytest.approx(0.05 / 7.5)
    assert half_last_digit("12 MP") == pytest.approx(0.5 / 12)
    assert half_last_digit("x") is None
    claim = claim_of(2.0, kind="sensor pixel pitch", text="2.0 um", unit="um", sense="equal")
    assert decide(Quantity.of(2.02, 0.005, "um"), 2.0, claim).word == "met"
    assert decide(Quantity.of(2.08, 0.005, "um"), 2.0, claim).word == "not met"


@pytest.mark.parametrize(
    ("text", "claimed", "value", "sense", "word"),
    [
        # ISO 80000-1:2009, annex B (from memory): a number rounds to the nearest multiple of the
        # unit of its last digit, so 1.3 stands for 1.25 to 1.35.
        ("1.3 mm", 1.3, 1.3002, "at most", "met"),
        ("1.3 mm", 1.3, 1.3002, "equal", "met"),
        ("1.3 mm", 1.3, 1.26, "at least", "met"),
        ("1.3 mm", 1.3, 1.24, "at least", "not met"),
        ("1.30 mm", 1.3, 1.26, "at least", "not met"),
        ("5 mm", 5, 4.6, "at least", "met"),
        ("5 mm", 5, 4.4, "at least", "not met"),
        ("1.92 MP", 1.92, 1.912, "at least", "not met"),
        ("1600 x 1200", 1.92, 1.916, "at least", "not met"),
        ("7x to 45x", 45, 44.6, "at least", "met"),
        ("7x to 45x", 45, 43, "at least", "not met"),  # by its own last digit, not by that of 7x
        ("7x to 45x", 7, 7.4, "at most", "met"),
        ("7x to 45x", 7, 7.6, "at most", "not met"),
    ],
)
def test_a_printed_figure_stands_for_what_rounds_to_it(
    text: str, claimed: float, value: float, sense: Sense, word: str
) -> None:
    claim = claim_of(claimed, text=text, sense=sense)
    decision = decide(Quantity.of(value, 0.001, "1"), claimed, claim)
    assert decision.word == word
    assert ("as printed" in decision.rule) == (text != "1600 x 1200")


def test_a_verdict_that_turns_on_the_printed_digits_says_both() -> None:
    claim = claim_of(1300, kind="field width", text="1.3 mm", unit="um")
    verdict = verdict_on(camera(claim), captured("pad", "only", 1270 / 1920))
    assert verdict.word == "met"
    assert verdict.details == ("Printed as 1.3 mm, which stands for 1.25 mm to 1.35 mm.",)


@pytest.mark.parametrize(
    ("value", "sense", "said"),
    [
        (1000, "at most", "Printed as 1 mm, which stands for 0.5 mm to 1.5 mm."),
        (1200, "at least", "Printed as 1.2 mm, which stands for 1.15 mm to 1.25 mm."),
    ],
)
def test_of_a_range_the_end_that_is_judged_is_said(value: float, sense: Sense, said: str) -> None:
    claim = claim_of(value, kind="field width", text="1 mm to 1.2 mm", unit="um", sense=sense)
    verdict = verdict_on(camera(claim), captured("pad", "only", 1170 / 1920))
    assert verdict.details == (said,)


@given(st.floats(0.1, 1e4), st.floats(0, 1e3), st.floats(0.1, 1e4), st.floats(0.001, 0.2))
def test_at_least_and_at_most_are_never_both_missed(
    value: float, u: float, claimed: float, tolerance: float
) -> None:
    words = {
        sense: decide(
            Quantity.of(value, u, "1"), claimed, claim_of(claimed, sense=sense, tolerance=tolerance)
        ).word
        for sense in ("at least", "at most", "equal")
    }
    assert words["at least"] != "not met" or words["at most"] != "not met"
    if words["equal"] == "met":
        assert words["at least"] == words["at most"] == "met"


# ---- magnification -------------------------------------------------------------------------------


def test_every_reading_is_judged_the_kindest_first() -> None:
    chain = Chain(sensor=Sensor(2.0, 1920, 1080), display=Display(154, 87, 1024, 600))
    verdict = verdict_on(camera(claim_of(1600), chain=chain), captured("pad", "only", 1.0))
    keys = [judged.reading.key for judged in verdict.readings]
    assert keys == [
        "on_display_magnification", "field_equivalent_magnification", "own_screen_magnification",
        "on_sensor_magnification",
    ]  # fmt: skip
    values = [judged.counted.value for judged in verdict.readings]
    # Field width 1.92 mm: 531.3 / 1.92, 180 / 1.92, 154 / 1.92, 2.0 / 1.0.
    assert values == pytest.approx([276.7, 93.75, 80.2, 2.0], abs=0.05)
    assert verdict.word == "not met"
    assert verdict.sentence.startswith("magnification 1600x (box) is not met: it reaches 276.7")
    assert "its field is that of an eyepiece view of 93.7" in verdict.sentence
    assert "24-inch display (531 mm wide)" in verdict.sentence


def test_the_display_that_would_make_it_true_is_claim_times_field_width() -> None:
    verdict = verdict_on(camera(claim_of(1600)), captured("pad", "only", 1.0))
    needed = verdict.display_width_needed
    assert needed is not None
    assert needed.value == pytest.approx(1600 * 1.92)
    assert needed.unit == "mm"
    assert needed.relative == pytest.approx(0.001)
    assert any("3.0720 ± 0.0060 m wide" in detail for detail in verdict.details)


def test_detail_ends_where_the_pixels_or_the_aperture_end() -> None:
    # 1 um pixels carry NA 0.55 / 4 = 0.1375 at most: 137.5x. A stated NA of 0.08 ends sooner.
    by_pixels = verdict_on(camera(claim_of(1600)), captured("pad", "only", 1.0))
    assert by_pixels.detail_limit is not None
    assert by_pixels.detail_limit.value == pytest.approx(137.5)
    assert any("cannot follow that far" in detail for detail in by_pixels.details)
    chain = Chain(numerical_aperture=0.08)
    by_optics = verdict_on(camera(claim_of(70), chain=chain), captured("pad", "only", 1.0))
    assert by_optics.detail_limit is not None
    assert by_optics.detail_limit.value == pytest.approx(80)
    assert any("could follow that far" in detail for detail in by_optics.details)


def test_digital_zoom_is_taken_out_of_the_claim_and_put_on_the_measurement() -> None:
    # common practice, no source: a sixteen-fold digital zoom on a 50x view is 800x at most.
    field = 180_000 / 50
    claim = claim_of(1600, digital_zoom=16)
    shown = captured("pad", "only", field / 1920)
    bench = bench_of(camera(claim), display=None)
    (verdict,) = judge(bench, settle(bench, [shown]), [shown])
    (judged,) = verdict.readings
    assert judged.reading.value.value == pytest.approx(50)
    assert judged.zoom == 16
    assert judged.counted.value == pytest.approx(800)
    assert verdict.word == "not met"
    (said,) = [detail for detail in verdict.details if "counts 16x digital zoom" in detail]
    assert "without it, it says 100x" in said
    assert "50.00" in said
    honest = judged_readings(claim_of(790, digital_zoom=16), settle(bench, [shown]))
    assert honest[0].verdict == "met"


def test_digital_zoom_that_the_setting_already_has_is_not_counted_twice() -> None:
    shown = captured("pad", "only", 1.0)
    instrument = camera(claim_of(1000, digital_zoom=4), digital_zoom=4.0)
    verdict = verdict_on(instrument, shown)
    assert verdict.readings[0].zoom == 1
    assert verdict.readings[0].counted.value == pytest.approx(276.7, abs=0.05)
    plain = verdict_on(camera(claim_of(1000), digital_zoom=4.0), shown)
    assert any("includes 4x digital zoom" in detail for detail in plain.details)


def test_the_best_of_several_settings_counts_unless_the_claim_names_one() -> None:
    low, high = Setting("low", Chain()), Setting("high", Chain())
    shown = (captured("pad", "low", 4.0), captured("pad", "high", 1.0, name="b.jpg"))
    free = Instrument("pad", "USB", Chain(), settings=(low, high), claims=(claim_of(270),))
    named = replace(free, claims=(claim_of(270, setting="low"),))
    assert (verdict_on(free, *shown).word, verdict_on(free, *shown).setting) == ("met", "high")
    assert (verdict_on(named, *shown).word, verdict_on(named, *shown).setting) == ("not met", "low")


def test_the_low_end_of_a_range_is_judged_in_the_widest_setting() -> None:
    low, high = Setting("low", Chain()), Setting("high", Chain())
    claim = claim_of(50, id="m-low", text="50x to 1600x", sense="at most")
    instrument = Instrument("pad", "USB", Chain(), settings=(low, high), claims=(claim,))
    shown = (captured("pad", "low", 4.0), captured("pad", "high", 1.0, name="b.jpg"))
    verdict = verdict_on(instrument, *shown)
    assert verdict.word == "met"
    assert verdict.setting == "low"
    assert verdict.sentence.startswith("magnification from 50x (box)")


def zoom_stereo(*positions: float, claimed: str = "7x to 90x") -> Instrument:
    """A zoom of 0.7 to 4.5 under a 2x lens, photographed at some positions; both ends claimed."""
    chain = Chain(zoom=(0.7, 4.5), auxiliary=2, eyepiece=10, field_number_mm=20)
    settings = tuple(
        Setting(f"zoom-{zoom:g}", replace(chain, zoom=(zoom, zoom)), through_eyepiece=True)
        for zoom in positions
    )
    low, high = (float(end.rstrip("x")) for end in claimed.split(" to "))
    claims = (
        claim_of(high, text=claimed),
        claim_of(low, id="m-low", text=claimed, sense="at most"),
    )
    return Instrument("stereo", "stereo", chain, settings=settings, claims=claims)


def verdicts_at(instrument: Instrument, *photographed: float) -> list[Verdict]:
    shown = [
        captured("stereo", f"zoom-{zoom:g}", 2.0, (4000, 3000), diameter=20_000 / (2 * zoom),
                 name=f"{zoom}.jpg")
        for zoom in photographed
    ]  # fmt: skip
    bench = bench_of(instrument)
    return list(judge(bench, settle(bench, shown), shown))


def test_an_end_of_a_range_is_missed_only_where_that_end_was_photographed() -> None:
    near_only = verdicts_at(zoom_stereo(4.5), 4.5)
    assert [one.word for one in near_only] == ["met", "untested"]
    assert "at its lowest zoom, 0.7x" in near_only[1].sentence
    assert "with its whole round field" in near_only[1].sentence
    # 0.7 x 2 x 10 is 14x, and at that end the claim of 7x is really missed.
    both = verdicts_at(zoom_stereo(0.7, 4.5), 0.7, 4.5)
    assert [one.word for one in both] == ["met", "not met"]
    assert [one.word for one in verdicts_at(zoom_stereo(0.7, 4.5, claimed="14x to 90x"), 0.7)] == [
        "met", "met",
    ]  # fmt: skip


def test_the_high_end_is_missed_only_in_the_closest_setting_that_is_stated() -> None:
    far_only = verdicts_at(zoom_stereo(0.7, claimed="14x to 200x"), 0.7)
    assert far_only[0].word == "untested"
    assert "at its highest zoom, 4.5x" in far_only[0].sentence
    listed = verdicts_at(zoom_stereo(0.7, 4.5, claimed="14x to 200x"), 0.7)
    assert listed[0].word == "untested"
    assert "in setting zoom-4.5" in listed[0].sentence
    assert verdicts_at(zoom_stereo(4.5, claimed="14x to 200x"), 4.5)[0].word == "not met"


def test_a_setting_that_may_stand_anywhere_in_its_range_is_no_end() -> None:
    chain = Chain(zoom=(0.7, 4.5), eyepiece=10, field_number_mm=20)
    somewhere = Setting("as is", chain, through_eyepiece=True)
    low = claim_of(5, id="m-low", text="5x to 90x", sense="at most")
    instrument = Instrument("stereo", "stereo", chain, settings=(somewhere,), claims=(low,))
    verdict = verdict_on(instrument, captured("stereo", "as is", 2.0, (4000, 3000), diameter=9000))
    assert verdict.word == "untested"


def test_before_any_photo_each_end_names_the_factors_of_that_end() -> None:
    high, low = verdicts_at(zoom_stereo(4.5))
    assert "the stated factors alone multiply to 90x" in high.sentence
    assert "the stated factors alone multiply to 14x" in low.sentence


def test_a_field_is_too_small_only_where_the_widest_setting_was_photographed() -> None:
    wide, close = Setting("wide", Chain()), Setting("close", Chain())
    claim = claim_of(10_000, kind="field width", text="10 mm", unit="um")
    pad = Instrument("pad", "USB", Chain(), settings=(wide, close), claims=(claim,))
    close_only = verdict_on(pad, captured("pad", "close", 1.0))
    assert close_only.word == "untested"
    assert "in setting wide; in setting close it is 1.92" in close_only.sentence
    both = verdict_on(pad, captured("pad", "close", 1.0), captured("pad", "wide", 4.0, name="b"))
    assert (both.word, both.setting) == ("not met", "wide")


def test_a_view_through_an_eyepiece_has_no_display_or_sensor_reading() -> None:
    # The field of 5 mm is what a field number of 20 shows at 4x.
    shown = captured("stereo", "zoom-4", 2.0, (4000, 3000), diameter=5000)
    verdict = verdict_on(eyepiece_view(claim_of(40)), shown)
    assert {judged.reading.key for judged in verdict.readings} == {
        "visual_magnification_max", "visual_magnification_measured",
        "field_equivalent_magnification",
    }  # fmt: skip
    assert verdict.word == "met"
    assert verdict.display_width_needed is None
    assert verdict.detail_limit is None


def test_stated_factors_that_the_field_refutes_do_not_keep_a_claim() -> None:
    # The chain says 40x, but the field seen is 8 mm: with field number 20 that is 25x.
    shown = captured("stereo", "zoom-4", 3.0, (4000, 3000), diameter=8000)
    verdict = verdict_on(eyepiece_view(claim_of(40)), shown)
    assert verdict.word == "not met"
    assert verdict.readings[-1].reading.key == "visual_magnification_max"
    assert any("but the field seen is that of 25.0" in detail for detail in verdict.details)


def test_without_any_capture_a_claim_is_untested_and_says_what_to_shoot() -> None:
    verdict = verdict_on(eyepiece_view(claim_of(40)))
    assert verdict.word == "untested"
    assert "it takes a photo of a ruled scale" in verdict.sentence
    assert "the stated factors alone multiply to 40x" in verdict.sentence
    assert verdict.rule == ""


# ---- other kinds ---------------------------------------------------------------------------------


def test_field_and_pixel_claims_are_judged_at_their_best_setting() -> None:
    wide = claim_of(1900, id="w", kind="field width", text="1.9 mm", unit="um")
    fine = claim_of(0.9, id="p", kind="pixel size", text="0.9 um", unit="um/px", sense="at most")
    instrument = camera(wide, fine)
    bench = bench_of(instrument)
    shown = captured("pad", "only", 1.0)
    first, second = judge(bench, settle(bench, [shown]), [shown])
    assert first.word == "met"
    assert first.value is not None
    assert first.value.value == pytest.approx(1920)
    assert second.word == "not met"
    assert tally([first, second]) == "1 met, 1 not met"


def test_a_phone_photo_says_nothing_about_the_width_or_pixels_of_an_eyepiece_view() -> None:
    wide = claim_of(7000, id="w", kind="field width", text="7 mm", unit="um")
    fine = claim_of(9, id="p", kind="pixel size", text="9 um", unit="um/px", sense="at most")
    instrument = replace(eyepiece_view(wide), claims=(wide, fine))
    bench = bench_of(instrument)
    shown = captured("stereo", "zoom-4", 2.0, (4000, 3000), diameter=5000)
    first, second = judge(bench, settle(bench, [shown]), [shown])
    assert first.word == "not met"
    assert first.value is not None
    assert first.value.value == pytest.approx(5000)
    assert second.word == "untested"


def test_findings_of_single_captures_settle_their_claims() -> None:
    claim = claim_of(30, id="r", kind="frame rate", text="30 fps", unit="1/s")
    rate = {"delivered_rate": Finding(Quantity.of(15.0, 0.05, "1/s"), "clip")}
    shown = captured("pad", "only", 1.0, extra=rate)
    assert verdict_on(camera(claim), shown).word == "not met"
    untested = verdict_on(camera(claim))
    assert untested.word == "untested"
    assert "a clip with something moving" in untested.sentence


def test_a_claim_in_words_is_listed_and_untested() -> None:
    claim = Claim("other", "solid metal stand", "listing", id="other-1")
    verdict = verdict_on(camera(claim), captured("pad", "only", 1.0))
    assert verdict.word == "untested"
    assert "solid metal stand (listing)" in verdict.sentence


def test_nothing_bounds_detail_without_pixels_or_aperture() -> None:
    setting = Setting("s", Chain())
    instrument = Instrument("i", "other", Chain(), settings=(setting,))
    assert detail_limit(SettingResult(instrument, setting, {}, (), ()))[0] is None
