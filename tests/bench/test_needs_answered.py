"""Needs held against findings: what decides, and what would change it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.bench.made_up import camera, captured, eyepiece_view

from glassay.bench.document.model import (
    Bench,
    Instrument,
    Money,
    Need,
    Price,
    ReferenceObject,
    Setting,
)
from glassay.bench.judging.need_answers import Needs, needs_as_json
from glassay.bench.judging.needs import answer_needs
from glassay.bench.keeping.results import CaptureResult, MethodResult
from glassay.bench.measuring.assemble import assemble
from glassay.finding import Finding
from glassay.optics import Chain
from glassay.quantity import Quantity

SLIDE = ReferenceObject("slide", "ruled scale", division_um=10)


def answered(needs: list[Need], instruments: list[Instrument], *captures: CaptureResult) -> Needs:
    from pathlib import Path

    bench = Bench(
        Path("."), "t", objects=(SLIDE,), instruments=tuple(instruments), needs=tuple(needs)
    )
    return answer_needs(assemble(bench, captures))


def edge(value: float, u: float = 0.002) -> dict[str, Finding]:
    return {"frequency_10": Finding(Quantity.of(value, u, "cycles/px"), "edge")}


def bare(name: str, **changes: object) -> Instrument:
    return replace(camera(), id=name, **changes)  # type: ignore[arg-type]


# 0.25 cycles/px at 1 um/px is a period of 4 um, lines of 2 um.
@pytest.mark.parametrize(
    ("line_um", "word"), [(2.1, "yes"), (2.0, "not shown"), (1.9, "no"), (0.9, "no")]
)
def test_detail_is_half_the_period_that_is_resolved(line_um: float, word: str) -> None:
    need = Need("n", "lines", detail_um=line_um)
    shown = captured("pad", "only", 1.0, extra=edge(0.25))
    answer = answered([need], [camera()], shown).answer("n", "pad")
    assert answer.word == word
    if line_um < 1:
        assert "a line takes at least one pixel" in answer.sentence
    else:
        assert "2.000 ± 0.032 um wide" in answer.sentence
        assert answer.conditions[0].capture == "a.jpg"


def test_pixels_that_could_carry_it_show_nothing_without_an_edge() -> None:
    need = Need("n", "lines", detail_um=5)
    answer = answered([need], [camera()], captured("pad", "only", 1.0)).answer("n", "pad")
    assert answer.word == "not shown"
    assert "sharp edge" in answer.conditions[0].shoot


def test_a_stated_aperture_forbids_what_it_does_not_pass() -> None:
    # Abbe: 0.55 / (2 x 0.1) = 2.75 um a period at the finest, 1.375 um a line.
    instrument = camera(chain=Chain(numerical_aperture=0.1))
    shown = captured("pad", "only", 0.2)
    for line_um, word in ((1.3, "no"), (1.4, "not shown")):
        need = Need("n", "lines", detail_um=line_um)
        assert answered([need], [instrument], shown).answer("n", "pad").word == word


def test_a_contrast_is_looked_up_in_the_curve_of_the_edge() -> None:
    # A straight fall from 1 at 0 to 0 at 0.4 cycles/px: 30 % at 0.28, lines of 1.786 um.
    frequency = [i / 100 for i in range(101)]
    curve = [max(0.0, 1 - f / 0.4) for f in frequency]
    shown = captured("pad", "only", 1.0, relative_u=0)
    part = MethodResult(
        "edge", "measured", evidence={
            "frequency": frequency, "modulation": curve,
            "low": [m - 0.01 for m in curve], "high": [m + 0.01 for m in curve],
        },
    )  # fmt: skip
    shown = replace(shown, parts=(*shown.parts, part))
    need = Need("n", "lines", detail_um=2.0, contrast=0.3)
    answer = answered([need], [camera()], shown).answer("n", "pad")
    value = answer.conditions[0].value
    assert isinstance(value, Quantity)
    assert value.value == pytest.approx(1 / 0.56, rel=1e-3)
    assert value.expanded == pytest.approx(1 / 0.56 * 0.004 / 0.28, rel=0.02)  # 0.01 / slope 2.5
    assert answer.word == "yes"


def test_what_a_phone_loses_the_eye_may_still_see() -> None:
    need = Need("n", "lines", detail_um=3)
    shown = captured("stereo", "zoom-4", 2.0, diameter=5000, extra=edge(0.1))
    claim = captured("stereo", "zoom-4", 2.0)
    assert claim.status == "measured"
    from tests.bench.made_up import claim_of

    answer = answered([need], [eyepiece_view(claim_of(40))], shown).answer("n", "stereo")
    assert answer.word == "not shown"
    assert "the eye may see more" in answer.sentence


def test_a_field_may_be_turned_and_a_round_one_takes_the_diagonal() -> None:
    shown = captured("pad", "only", 1.0)  # 1920 x 1080 um
    for field, word in (((1800, 1000), "yes"), ((1800, 1100), "no"), ((1900, 0.0), "yes")):
        need = Need("n", "field", field_um=field)
        assert answered([need], [camera()], shown).answer("n", "pad").word == word
    from tests.bench.made_up import claim_of

    eye = captured("stereo", "zoom-4", 2.0, diameter=5000)
    for field, word in (((3900, 2900), "yes"), ((4100, 3100), "no")):  # 4860 and 5140 um
        need = Need("n", "field", field_um=field)
        answer = answered([need], [eyepiece_view(claim_of(40))], eye).answer("n", "stereo")
        assert answer.word == word


def test_detail_and_field_must_come_in_one_setting() -> None:
    from glassay.bench.document.model import Setting

    far, near = Setting("far", Chain()), Setting("near", Chain())
    instrument = replace(camera(), settings=(far, near))
    shots = (
        captured("pad", "far", 4.0, name="f.jpg", extra=edge(0.25)),  # 7.7 mm, lines of 8 um
        captured("pad", "near", 1.0, name="n.jpg", extra=edge(0.25)),  # 1.9 mm, lines of 2 um
    )
    apart = [Need("d", "fine", detail_um=3), Need("w", "wide", field_um=(5000, 0))]
    both = Need("both", "fine and wide", detail_um=3, field_um=(5000, 0))
    needs = answered([*apart, both], [instrument], *shots)
    assert [needs.answer(i, "pad").word for i in ("d", "w", "both")] == ["yes", "yes", "no"]


def two_objectives(*, near_is_for_chips: bool) -> Instrument:
    far, near = Setting("far", Chain()), Setting("near", Chain(), for_chips=near_is_for_chips)
    return replace(camera(), settings=(far, near))


def test_a_setting_that_no_chip_can_be_looked_at_in_meets_no_need() -> None:
    need = Need("n", "lines", detail_um=1.5)
    shown = (
        captured("pad", "far", 2.0, extra=edge(0.25)),
        captured("pad", "near", 0.5, extra=edge(0.25), name="b.jpg"),
    )
    both = answered([need], [two_objectives(near_is_for_chips=True)], *shown).answer("n", "pad")
    assert (both.word, both.setting) == ("yes", "near")
    one = answered([need], [two_objectives(near_is_for_chips=False)], *shown).answer("n", "pad")
    assert (one.word, one.setting) == ("no", "far")
    assert one.sentence.endswith("near does not count: not for chips")


def test_without_a_setting_for_chips_the_answer_is_no_or_asks_for_one() -> None:
    need = Need("n", "lines", detail_um=1.5)
    slide_only = camera(for_chips=False)
    never = answered([need], [slide_only], captured("pad", "only", 0.5)).answer("n", "pad")
    assert never.word == "no"
    assert "none of its settings is for chips" in never.sentence
    near = captured("pad", "near", 0.5, extra=edge(0.25))
    asked = answered([need], [two_objectives(near_is_for_chips=False)], near).answer("n", "pad")
    assert asked.word == "not shown"
    assert "in a setting for chips" in asked.sentence


def test_a_budget_counts_everything_that_must_be_bought() -> None:
    def eur(amount: float) -> Money:
        return Money(amount, "EUR")

    need = Need("b", "cheap", budget=eur(300))
    price = Price(paid=eur(200), camera=eur(80), also=(("lamp", eur(30)),))
    assert price.total == eur(310)
    from tests.bench.made_up import claim_of

    stereo = eyepiece_view(claim_of(40))
    needs = answered(
        [need],
        [
            bare("whole", price=price), bare("other", price=Price(paid=Money(1, "USD"))),
            bare("fits", price=Price(list=eur(300))), replace(stereo, price=Price(paid=eur(100))),
            replace(stereo, id="with", price=Price(paid=eur(100), camera=eur(0))),
        ],
    )  # fmt: skip
    words = {answer.instrument: answer.word for answer in needs.answers}
    assert words == {
        "whole": "no", "other": "not shown", "fits": "yes", "stereo": "not shown", "with": "yes"
    }  # fmt: skip
    assert "lamp 30.00 EUR included" in needs.answer("b", "whole").sentence


def test_power_clearance_rate_and_standing_alone() -> None:
    needs = [
        Need("p", "cell", power=("cell", "USB")), Need("c", "room", clearance_um=60_000),
        Need("r", "fluid", rate_per_s=25), Need("s", "alone", standalone=True),
    ]  # fmt: skip
    good = bare("good", power="USB or mains", clearance_um=70_000.0, standalone=True)
    poor = bare("poor", power="mains", clearance_um=9_000.0, standalone=False)
    rate = {"delivered_rate": Finding(Quantity.of(29.97, 0.01, "1/s"), "clip")}
    found = answered(needs, [good, poor, bare("blank")], captured("good", "only", 1.0, extra=rate))
    words = [[a.word for a in found.answers if a.need.id == n.id] for n in needs]
    no, dark = "no", "not shown"
    assert words == [
        ["yes", no, dark], ["yes", no, dark], ["yes", dark, dark], ["yes", no, dark]
    ]  # fmt: skip
    assert [(r.place, r.instrument) for r in found.ranking] == [
        (1, "good"), (2, "blank"), (3, "poor"),
    ]  # fmt: skip


def test_what_would_change_the_first_place_is_said() -> None:
    needs = [Need("fine", "fine", detail_um=2), Need("room", "room", clearance_um=60_000)]
    a = bare("a", clearance_um=70_000.0)
    b = bare("b", clearance_um=50_000.0)
    found = answered(
        needs, [a, b], captured("a", "only", 1.0, extra=edge(0.3)),
        captured("b", "only", 1.0, name="b.jpg", extra=edge(0.3)),
    )  # fmt: skip
    assert [(r.place, r.instrument, r.met) for r in found.ranking] == [(1, "a", 2), (2, "b", 1)]
    assert "Without the need 'room', a and b stand first." in found.sensitivity
    assert any(
        s.startswith("If 'room' asked only for 50 mm of clearance, which b meets")
        for s in found.sensitivity
    )


def test_a_milder_need_is_said_only_where_it_would_be_met() -> None:
    # Pixels of 1 um forbid lines of 0.9 um; lines of 1 um they allow, but the edge tells 2 um only.
    need = [Need("fine", "fine", detail_um=0.9)]
    first = bare("a"), bare("b")
    coarse = captured("a", "only", 1.0, extra=edge(0.25))
    found = answered(need, list(first), coarse, captured("b", "only", 3.0, name="b.jpg"))
    assert found.answer("fine", "a").word == "no"
    assert not any("which a meets" in one for one in found.sensitivity)
    wider = [Need("fine", "fine", detail_um=1.9)]
    found = answered(wider, list(first), coarse, captured("b", "only", 3.0, name="b.jpg"))
    assert any("which a meets" in one for one in found.sensitivity)


def test_needs_in_words_are_listed_and_not_counted() -> None:
    found = answered([Need("w", "feels sturdy")], [bare("a"), bare("b")])
    assert (found.answers, found.ranking) == ((), ())
    assert [need.id for need in found.in_words] == ["w"]
    assert needs_as_json(found)["in_words_only"] == ["w"]


def test_a_claimed_smallest_detail_is_held_against_the_finest_line_resolved() -> None:
    from tests.bench.made_up import bench_of, claim_of

    for claimed, word in ((2.1, "met"), (1.98, "undecided"), (1.5, "not met")):
        claim = claim_of(claimed, kind="smallest detail", text=f"{claimed} um", unit="um",
                         sense="at most")  # fmt: skip
        shown = captured("pad", "only", 1.0, extra=edge(0.25))
        (verdict,) = assemble(bench_of(camera(claim)), [shown]).verdicts
        assert verdict.word == word
        assert "2.000 ± 0.032 um" in verdict.sentence
