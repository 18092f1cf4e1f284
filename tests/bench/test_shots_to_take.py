"""What is still to be photographed: the right shot for each open claim, the most valuable first."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from tests.bench.made_up import SLIDE_ONLY, camera, captured, claim_of, eyepiece_view

from glassay.bench.document.claims import CLAIM_KINDS
from glassay.bench.document.model import Bench, Claim, Instrument, Need, ReferenceObject, Setting
from glassay.bench.keeping.results import BenchResults, CaptureResult, MethodResult
from glassay.bench.measuring.assemble import assemble
from glassay.bench.planning.shot_kinds import OWN, shot_kind
from glassay.bench.planning.shots import (
    OF_CONDITION,
    nothing_open,
    open_shots,
    shots_as_json,
)
from glassay.finding import Finding
from glassay.optics import Chain
from glassay.quantity import Quantity


def results_of(
    instruments: list[Instrument], *captures: CaptureResult, needs: tuple[Need, ...] = ()
) -> BenchResults:
    bench = Bench(Path("."), "t", objects=SLIDE_ONLY, instruments=tuple(instruments), needs=needs)
    return assemble(bench, captures)


def of_kind(kind: str, text: str, value: float | None, **changes: object) -> Claim:
    stated = CLAIM_KINDS.get(kind)
    unit, sense = (stated.unit, stated.sense) if stated else ("", "at least")
    plain = Claim(kind, text, "box", id=kind.replace(" ", "-"), value=value, unit=unit, sense=sense)
    return replace(plain, **changes)  # type: ignore[arg-type]


def test_every_kind_of_claim_and_condition_has_its_shot() -> None:
    of_claims = {kind.shot for kind in CLAIM_KINDS.values()}
    assert all(shot_kind(key).how for key in of_claims | set(OF_CONDITION.values()))
    assert all(kind.how for kind in OWN.values())


def test_one_scale_settles_several_claims_and_comes_first() -> None:
    instrument = camera(
        claim_of(1600), of_kind("pixel size", "0.7 um", 0.7), of_kind("battery time", "4 h", 14400),
        of_kind("working distance", "80 mm", 80000),
    )  # fmt: skip
    shots = open_shots(results_of([instrument]))
    assert [shot.key for shot in shots] == ["scale", "ruler", "battery"]
    assert shots[0].settles == ("claim: magnification 1600x", "claim: pixel size 0.7 um")
    assert shots[0].setting == "only"


def test_what_is_decided_is_not_asked_for() -> None:
    instrument = camera(claim_of(1600), of_kind("frame rate", "30 fps", 30))
    rate = {"delivered_rate": Finding(Quantity.of(15, 0.1, "1/s"), "clip")}
    shown = captured("pad", "only", 1.0, extra=rate)
    assert open_shots(results_of([instrument], shown)) == ()


def test_an_undecided_claim_takes_a_certificate_when_the_slide_is_what_is_uncertain() -> None:
    # 531.3 mm / 1.92 mm = 276.7 with U = 0.54, all of it the slide's.
    bench = replace(results_of([camera(claim_of(276.5))]).bench)
    shown = captured("pad", "only", 180_000 / 1920 / 90)
    claim = claim_of(90, text="90.0x")
    (shot,) = open_shots(assemble(replace(bench, instruments=(camera(claim),)), [shown]))
    assert shot.key == "certificate"
    assert "more photos of it change nothing" in shot.kind.how[0]


def test_an_eyepiece_takes_its_whole_round_field_and_a_range_both_ends() -> None:
    far, near = (
        Setting(name, Chain(zoom=(zoom, zoom), eyepiece=10), through_eyepiece=True)
        for name, zoom in (("far", 0.7), ("near", 4.5))
    )
    low = claim_of(7, id="m-low", text="7x to 45x", sense="at most")
    instrument = replace(eyepiece_view(claim_of(45)), settings=(near, far))
    instrument = replace(instrument, claims=(claim_of(45, text="7x to 45x"), low))
    shots = open_shots(results_of([instrument]))
    assert {(shot.setting, shot.key) for shot in shots} == {
        ("near", "round field"), ("far", "round field"),
    }  # fmt: skip
    assert {shot.settles for shot in shots} == {
        ("claim: magnification up to 45x",), ("claim: magnification from 7x",),
    }  # fmt: skip


def test_the_top_magnification_is_never_asked_for_in_a_setting_that_may_be_the_wide_one() -> None:
    # The order of settings says nothing: here the closest one is listed first.
    near, far = Setting("near", Chain()), Setting("far", Chain())
    pad = Instrument("pad", "USB", Chain(), settings=(near, far), claims=(claim_of(1600),))
    (shot,) = open_shots(results_of([pad]))
    assert (shot.setting, shot.where) == (None, "in the setting that shows the smallest field")
    stated = replace(pad, settings=(replace(near, chain=Chain(zoom=(4, 4))),
                                    replace(far, chain=Chain(zoom=(1, 1)))))  # fmt: skip
    (shot,) = open_shots(results_of([stated]))
    assert shot.setting == "near"


def test_an_end_that_no_listed_setting_reaches_is_asked_for_by_its_zoom() -> None:
    chain = Chain(zoom=(0.7, 4.5), eyepiece=10, field_number_mm=20)
    near = Setting("near", replace(chain, zoom=(4.5, 4.5)), through_eyepiece=True)
    low = claim_of(7, id="m-low", text="7x to 45x", sense="at most")
    stereo = Instrument("stereo", "stereo", chain, settings=(near,), claims=(low,))
    shown = captured("stereo", "near", 2.0, (4000, 3000), diameter=4440)
    (shot,) = open_shots(results_of([stereo], shown))
    assert (shot.setting, shot.where) == (None, "at its lowest zoom, 0.7x")
    assert shot.key == "round field"


def test_a_pair_that_does_not_tell_is_not_asked_for_again_as_it_is() -> None:
    pad = camera(of_kind("photo pixels", "2 MP", 2.0))
    pair = ReferenceObject("twice", "repeat pair")
    before = results_of([pad])
    assert [shot.key for shot in open_shots(before)] == ["repeat"]
    verdict = {"native_verdict": Finding("cannot tell", "repeat pair")}
    told = captured("pad", "only", 1.0, extra=verdict)
    told = replace(told, capture=replace(told.capture, object="twice"))
    bench = replace(before.bench, objects=(*SLIDE_ONLY, pair))
    (shot,) = open_shots(assemble(bench, [told]))
    assert shot.key == "finer repeat"
    assert shot.before == ("a.jpg does not tell",)
    assert "least compression" in " ".join(shot.kind.how)


def test_without_anything_to_judge_nothing_is_called_decided() -> None:
    assert nothing_open(results_of([])).startswith("There is nothing to judge yet")
    assert nothing_open(results_of([camera()])).startswith("There is nothing to judge yet")
    decided = results_of([camera(claim_of(1600))], captured("pad", "only", 1.0))
    assert open_shots(decided) == ()
    assert nothing_open(decided) == "Nothing is open: every claim and every need is decided."


def test_detail_takes_the_pixel_size_of_its_setting_too() -> None:
    instrument = camera(of_kind("smallest detail", "2 um", 2))
    assert {s.key for s in open_shots(results_of([instrument]))} == {"scale", "edge"}
    measured = results_of([instrument], captured("pad", "only", 1.0))
    assert {s.key for s in open_shots(measured)} == {"edge"}


def test_an_open_need_adds_to_the_value_and_a_lost_one_does_not() -> None:
    needs = (
        Need("fine", "fine", detail_um=5), Need("fluid", "fluid", rate_per_s=25),
        Need("both", "fine, and with room", detail_um=5, clearance_um=60_000),
    )  # fmt: skip
    instrument = replace(camera(of_kind("frame rate", "30 fps", 30)), clearance_um=9_000.0)
    shots = open_shots(results_of([instrument], captured("pad", "only", 1.0), needs=needs))
    assert [(shot.key, shot.settles) for shot in shots] == [
        ("clip", ("claim: frame rate 30 fps", "need: fluid")), ("edge", ("need: fine",)),
    ]  # fmt: skip


def test_a_refused_capture_says_why_it_has_to_be_taken_again() -> None:
    shown = captured("pad", "only", 1.0)
    refused = replace(shown, parts=(MethodResult("ruled scale", "refused", reason="too dark"),))
    (shot,) = open_shots(results_of([camera(claim_of(1600))], refused))
    assert shot.before == ("a.jpg was refused: too dark",)
    data = shots_as_json(results_of([camera(claim_of(1600))], refused))
    assert data["shots"][0]["before"] == ["a.jpg was refused: too dark"]
