"""Steps of holding a claim: which end it is about, which value counts, what files settle."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.bench.made_up import bench_of, camera, captured, claim_of

from glassay.bench.document.model import Claim, Instrument, Sense, Setting
from glassay.bench.judging import by_finding, by_pixels
from glassay.bench.judging.ends import Missing, end_of, missing_end, stated_magnification
from glassay.bench.judging.held import Seen, kindest
from glassay.bench.judging.hold_line import LineHeld, hold_line
from glassay.bench.judging.judge import judge, withhold
from glassay.bench.judging.magnification import detail_limit, hold, judged_readings
from glassay.bench.keeping.results import (
    BenchResults,
    CaptureResult,
    Contradiction,
    MethodResult,
    SettingResult,
)
from glassay.bench.measuring.assemble import assemble
from glassay.bench.measuring.settings import settle
from glassay.finding import Finding
from glassay.optics import Chain
from glassay.quantity import Quantity


def of_kind(kind: str, sense: Sense, value: float = 10.0) -> Claim:
    return replace(claim_of(value), kind=kind, sense=sense)


@pytest.mark.parametrize(
    ("kind", "at_least", "at_most"),
    [
        ("field width", "widest", "closest"), ("field height", "widest", "closest"),
        ("field diameter", "widest", "closest"), ("magnification", "closest", "widest"),
        ("pixel size", "widest", "closest"), ("frame rate", None, None),
    ],
)  # fmt: skip
def test_a_claim_is_about_the_end_that_is_hardest_to_reach(
    kind: str, at_least: str | None, at_most: str | None
) -> None:
    assert end_of(of_kind(kind, "at least")) == at_least
    assert end_of(of_kind(kind, "at most")) == at_most
    assert end_of(of_kind(kind, "equal")) is None
    assert end_of(replace(of_kind(kind, "at least"), setting="only")) is None


def test_the_kindest_of_several_values_is_nearest_highest_or_lowest() -> None:
    found = [(Quantity(value, "1"), f"{value:g}") for value in (3.0, 9.0, 12.0)]
    assert [kindest(found, sense, 8.0)[1] for sense in ("equal", "at least", "at most")] == [
        "9", "12", "3",
    ]  # fmt: skip


def zooming(*zooms: float | None, whole: tuple[float, float] | None = None) -> Instrument:
    """Settings at these positions of a zoom (None: not stated), of an instrument with a range."""
    settings = tuple(
        Setting(f"s{n}", Chain() if zoom is None else Chain(zoom=(zoom, zoom)), name=f"No. {n}")
        for n, zoom in enumerate(zooms)
    )
    return Instrument("pad", "screen", Chain(zoom=whole), settings=settings)


def shown(instrument: Instrument, *settings: str) -> list[SettingResult]:
    taken = [captured("pad", one, 1.0, name=f"{one}.jpg") for one in settings]
    return list(settle(bench_of(instrument), taken))


def test_the_setting_to_photograph_is_the_listed_one_that_reaches_the_end() -> None:
    three = zooming(1.0, 2.0, 4.0)
    for end, there, listed in (("closest", "s2", 2), ("widest", "s0", 0)):
        assert missing_end(three, shown(three, there), end) is None  # type: ignore[arg-type]
        missing = missing_end(three, shown(three, "s1"), end)  # type: ignore[arg-type]
        assert missing == Missing(three.settings[listed], f"in setting No. {listed}")
    # factors 0.1 % apart are one position of the zoom, 1 % apart are not
    near, far = zooming(4.0 / 1.0005, whole=(1, 4.0)), zooming(4.0 / 1.01, whole=(1, 4.0))
    assert missing_end(near, shown(near, "s0"), "closest") is None
    assert missing_end(far, shown(far, "s0"), "closest") == Missing(None, "at its highest zoom, 4x")
    assert missing_end(far, shown(far, "s0"), "widest") == Missing(None, "at its lowest zoom, 1x")


def test_settings_without_factors_must_all_be_photographed() -> None:
    unknown = zooming(None, None, whole=(1.0, 4.0))
    assert missing_end(unknown, shown(unknown, "s0"), "closest") == Missing(
        unknown.settings[1], "in setting No. 1"
    )
    assert missing_end(unknown, shown(unknown, "s0", "s1"), "closest") is None
    # beside one with factors, the range counts again
    mixed = zooming(None, 2.0, whole=(1.0, 4.0))
    assert missing_end(mixed, shown(mixed, "s0", "s1"), "closest") == Missing(
        None, "at its highest zoom, 4x"
    )
    bare = zooming()
    assert missing_end(bare, [], "closest") is None


def test_the_magnification_of_an_end_is_that_of_all_factors() -> None:
    chain = Chain(zoom=(0.7, 4.5), auxiliary=2, eyepiece=10)
    stereo = Instrument("stereo", "stereo", chain, settings=(Setting("one", chain),))
    assert stated_magnification(stereo, "closest") == pytest.approx(90)
    assert stated_magnification(stereo, "widest") == pytest.approx(14)
    assert stated_magnification(camera(), "widest") is None


# ---- what a contradiction takes back --------------------------------------------------------------


def contradiction(instrument: str, touches: str = "scale") -> Contradiction:
    return Contradiction(
        "finest line by two sources", ((instrument, "only"),), ("a.jpg",),
        (Quantity(1.0, "um"), Quantity(2.0, "um")), ("bars", "edges"), touches,  # type: ignore[arg-type]
    )  # fmt: skip


def test_a_verdict_that_leans_on_a_contradiction_is_undecided_and_says_why() -> None:
    instrument = camera(claim_of(50), claim_of(1600, id="high"), claim_of(5, id="untold"))
    bench = bench_of(instrument)
    taken = [captured("pad", "only", 1.0)]
    met, missed, third = judge(bench, settle(bench, taken), taken)
    untested = replace(third, word="untested")
    other = replace(met, rule="another")
    told = withhold(
        bench, (met, missed, untested), (other, missed, other), (met, missed, untested),
        (contradiction("pad", "nothing"), contradiction("pad")),
    )  # fmt: skip
    assert [one.word for one in told] == ["undecided", missed.word, "untested"]
    assert told[1] is missed
    assert told[2] is untested
    assert (told[0].claim, told[0].instrument) == (met.claim, "pad")
    assert "contradicts itself" in told[0].sentence
    with pytest.raises(ValueError, match="shorter"):
        withhold(bench, (met, missed), (met,), (met, missed), (contradiction("pad"),))


def test_what_another_setting_may_meet_is_not_said_to_be_missed() -> None:
    """Of a claim of no setting: the one in doubt may be the one that meets it."""
    instrument = camera(claim_of(1600), claim_of(1600, id="here", setting="only"))
    bench = bench_of(instrument)
    taken = [captured("pad", "only", 1.0)]
    anywhere, here = judge(bench, settle(bench, taken), taken)
    assert anywhere.word == here.word == "not met"
    lengthless = tuple(replace(one, rule="another") for one in (anywhere, here))
    both = (anywhere, here)
    told = withhold(bench, both, both, lengthless, (contradiction("pad"),))
    assert [one.word for one in told] == ["undecided", "not met"]
    for bare, found in (
        (both, contradiction("pad")),  # no length holds it
        (lengthless, contradiction("other")),  # another instrument's scale is in doubt
        (lengthless, contradiction("pad", "everything")),  # not a scale
    ):
        assert withhold(bench, both, both, bare, (found,)) == both


def test_the_contradiction_of_its_own_instrument_is_named_first() -> None:
    mine, hers = camera(claim_of(50)), replace(camera(), id="other", name="The other")
    bench = bench_of(mine, hers)
    taken = [captured("pad", "only", 1.0)]
    (met,) = judge(bench, settle(bench, taken), taken)
    far, near = contradiction("other"), contradiction("pad")
    changed = (replace(met, rule="another"),)
    (told,) = withhold(bench, (met,), changed, (met,), (far, near))
    assert "The other" not in told.sentence
    (told,) = withhold(bench, (met,), changed, (met,), (far,))
    assert "The other" in told.sentence


# ---- what the files settle of pixels ---------------------------------------------------------------


def photo(width: int, height: int, name: str = "a.jpg") -> CaptureResult:
    return captured("pad", "only", 1.0, (width, height), name=name)


PIXELS = replace(claim_of(12.0, unit="MP", text="12 MP"), kind="photo pixels")


def test_a_file_that_stores_fewer_pixels_than_claimed_settles_it() -> None:
    small, larger = photo(1920, 1080), photo(2000, 1500, "b.jpg")
    held = by_pixels.hold_against_files(PIXELS, Seen(camera(), captures=(small, larger)))
    assert held is not None
    assert (held.word, held.why.kind) == ("not met", "files too small")
    assert held.why.numbers == pytest.approx((3.0,))
    assert held.rule.endswith("The value is the most that the file can hold.")


def test_a_file_that_is_large_enough_settles_nothing() -> None:
    def told(claim: Claim, *captures: CaptureResult) -> object:
        return by_pixels.hold_against_files(claim, Seen(camera(), captures=captures))

    assert told(PIXELS, photo(4000, 3000)) is None
    assert told(PIXELS) is None
    assert told(replace(PIXELS, sense="at most"), photo(640, 480)) is None
    assert told(replace(PIXELS, value=None), photo(640, 480)) is None
    clip = photo(640, 480)
    clip = replace(clip, capture=replace(clip.capture, files=("a.mp4",)))
    assert told(PIXELS, clip) is None  # a clip stores less than the camera's photos
    without = replace(photo(640, 480), parts=(MethodResult("ruled scale", "measured", {}),))
    assert told(PIXELS, without) is None


def native(value: object, name: str, reason: str = "") -> CaptureResult:
    key = "native_verdict" if isinstance(value, str) else "native_megapixels"
    finding = Finding(value, "native sampling")  # type: ignore[arg-type]
    notes = (reason, "more") if reason else ()
    one = photo(1920, 1080, name)
    part = MethodResult("native sampling", "measured", {key: finding}, notes=notes)
    return replace(one, parts=(*one.parts, part))


def test_the_most_native_pixels_are_said_where_no_sensor_was_seen() -> None:
    counts = [native(Quantity(mp, "MP"), f"{mp}.jpg") for mp in (2.0, 5.0, 3.0)]
    held = by_pixels.native_but_no_sensor(PIXELS, Seen(camera(), captures=(photo(9, 9), *counts)))
    assert held is not None
    assert (held.word, held.why.kind) == ("untested", "native but no sensor")
    assert [n.value for n in held.why.numbers if isinstance(n, Quantity)] == [5.0]
    assert by_pixels.native_but_no_sensor(PIXELS, Seen(camera(), captures=(photo(9, 9),))) is None


def test_exposures_that_cannot_tell_are_named_with_their_first_reason() -> None:
    told, dumb, sure = (
        native("cannot tell", "b.jpg", "too dark"), native("cannot tell", "c.jpg"),
        native("native", "a.jpg"),
    )  # fmt: skip
    held = by_pixels.why_not_native(PIXELS, Seen(camera(), captures=(photo(9, 9), sure, told)))
    assert held is not None
    assert held.why.kind == "does not tell"
    assert held.why.names == ("b.jpg", "too dark")
    held = by_pixels.why_not_native(PIXELS, Seen(camera(), captures=(dumb,)))
    assert held is not None
    assert held.why.names == ("c.jpg", "")
    assert by_pixels.why_not_native(PIXELS, Seen(camera(), captures=(sure,))) is None


# ---- findings of settings and captures ----------------------------------------------------------


def test_findings_of_captures_count_only_where_no_setting_averages_them() -> None:
    def bars(frequency: float, name: str) -> CaptureResult:
        told = {"finest_frequency": Finding(Quantity(frequency, "lp/mm"), "made up")}
        return captured("pad", "only", 1.0, extra=told, name=name)

    taken = [bars(200.0, "a.jpg"), bars(240.0, "b.jpg")]
    settings = settle(bench_of(camera()), taken)
    bare = [replace(one, findings={}) for one in settings]
    claim = replace(of_kind("resolution", "at least", 300.0), unit="1/mm")
    held = by_finding.hold(claim, Seen(camera(), bare, taken))
    assert held is not None
    assert held.value is not None
    assert (held.word, held.setting, held.value.value) == ("not met", "only", 240.0)
    mean = {"finest_frequency": Finding(Quantity(400.0, "lp/mm"), "mean")}
    averaged = [replace(one, findings=mean) for one in settings]
    # the mean of one setting counts for all: later settings without it add no captures
    for several in (averaged, [*averaged, *bare]):
        held = by_finding.hold(claim, Seen(camera(), several, [bars(900.0, "c.jpg")]))
        assert held is not None
        assert held.value is not None
        assert held.value.value == 400.0
    # lengths of single captures stand for no setting
    for kind in ("field width", "field height", "pixel size"):
        size = replace(of_kind(kind, "at least", 1.0), unit="um")  # type: ignore[arg-type]
        assert by_finding.hold(size, Seen(camera(), bare, taken)) is None


# ---- magnification ---------------------------------------------------------------------------------


def test_the_magnification_on_the_sensor_keeps_no_low_end() -> None:
    from glassay.optics import Sensor

    chain = Chain(sensor=Sensor(3.0, 1920, 1080))
    low = claim_of(50, id="low", text="50x to 1600x", sense="at most")
    instrument = camera(low, claim_of(2, id="high"), chain=chain)
    bench = bench_of(instrument)
    settings = settle(bench, [captured("pad", "only", 1.0)])
    assert judged_readings(low, settings)[-1].reading.key == "on_sensor_magnification"
    high = [one.reading.key for one in judged_readings(claim_of(2), settings)]
    assert high[-1] == "on_sensor_magnification"  # the lowest of all, so the least generous
    lowest = [one.reading.key for one in judged_readings(claim_of(300, sense="equal"), settings)]
    assert "on_sensor_magnification" in lowest


def test_where_detail_ends_is_a_pure_number_and_says_what_ends_it() -> None:
    bench = bench_of(camera())
    (one,) = settle(bench, [captured("pad", "only", 2.0)])
    limit, origin = detail_limit(one)
    # pixels of 2 um carry 0.55 / (4 x 2) = 0.06875, a thousand times that is 68.75
    assert limit is not None
    assert (limit.unit, limit.value) == ("1", pytest.approx(68.75))
    assert limit.relative == pytest.approx(1e-3, rel=0.05)
    assert (origin.kind, origin.names) == ("aperture of the pixels", ())
    chain = Chain(numerical_aperture=0.05)
    bench = bench_of(camera(chain=chain))
    (one,) = settle(bench, [captured("pad", "only", 2.0)])
    limit, origin = detail_limit(one)
    assert limit is not None
    assert (limit.unit, limit.value) == ("1", pytest.approx(50))
    assert (origin.kind, origin.names, origin.numbers) == ("stated aperture", (), (0.05,))
    nothing, origin = detail_limit(replace(one, findings={}, setting=Setting("only", Chain())))
    assert nothing is None
    assert origin.kind == "no aperture"


def test_a_magnification_names_its_reading_its_rule_and_its_value() -> None:
    claim = claim_of(100)
    bench = bench_of(camera(claim))
    held = hold(claim, Seen(camera(claim), settle(bench, [captured("pad", "only", 1.0)])))
    assert held is not None
    best = held.readings[0]
    assert held.value is not None
    assert held.value.value == pytest.approx(best.counted.value)
    assert held.value_name == best.reading.name
    assert "100" in held.rule
    assert held.setting == "only"


@pytest.mark.parametrize("zoomed", [2.0, 4.0])
def test_the_zoom_that_a_setting_has_is_taken_out_of_what_is_said(zoomed: float) -> None:
    instrument = camera(claim_of(1000), digital_zoom=zoomed)
    bench = bench_of(instrument)
    held = hold(claim_of(1000), Seen(instrument, settle(bench, [captured("pad", "only", 1.0)])))
    assert held is not None
    (said,) = [one for one in held.details if one.kind == "zoom of the setting"]
    zoom, plain = said.numbers
    assert isinstance(plain, Quantity)
    assert (zoom, plain.unit, said.names) == (zoomed, "1", ())
    assert plain.value == pytest.approx(held.readings[0].counted.value / zoomed)
    both = hold(
        claim_of(1000, digital_zoom=2 * zoomed),
        Seen(instrument, settle(bench, [captured("pad", "only", 1.0)])),
    )
    assert both is not None
    (said,) = [one for one in both.details if one.kind == "without zoom"]
    word, (zoom, without, bare) = said.names[0], said.numbers
    assert (zoom, without) == (2 * zoomed, pytest.approx(1000 / 2 / zoomed))
    assert isinstance(bare, Quantity)
    assert bare.unit == "1"
    # what is seen without any digital zoom is the same whichever way it is said
    assert bare.value == pytest.approx(plain.value)
    assert word in ("met", "not met", "undecided")


# ---- the finest line -----------------------------------------------------------------------------


def line_of(value: float, u: float, wanted: float) -> LineHeld:
    """An edge that tells a finest line of 1 / (2 x frequency) um at a pixel of 1 um, and a need."""
    cycles = Finding(Quantity.of(value, u, "cycles/px"), "made up")
    edge = captured("pad", "only", 1.0, extra={"frequency_10": cycles}, name="edge")
    made: BenchResults = assemble(
        bench_of(camera()), [captured("pad", "only", 1.0, name="slide"), edge]
    )
    return hold_line(made.settings[0], made.captures, wanted, None)


def test_a_line_that_is_told_stands_beside_what_it_rests_on() -> None:
    held = line_of(0.2, 0.002, 4.0)  # 2.5 um
    assert held.word == "yes"
    assert held.line is not None
    assert held.line.value == pytest.approx(2.5, rel=0.01)
    assert held.evidence is not None
    assert held.evidence.line is held.line
    coarse = line_of(0.2, 0.002, 1.0)
    assert coarse.word == "no"
    near = line_of(0.2, 0.02, 2.5)
    assert near.word not in ("yes", "no")
    assert near.evidence is not None
