"""Practical facts: read, held against claims, and shown in the table."""

from __future__ import annotations

from pathlib import Path

import pytest

from glassay.bench.document.mistakes import BenchMistakes
from glassay.bench.document.read import parse_bench
from glassay.bench.document.values import duration
from glassay.bench.keeping.results import Verdict
from glassay.bench.measuring.assemble import read_results
from glassay.errors import Unusable

TEXT = """
[[instrument]]
id = "pad"
kind = "screen"
clearance = "70 mm"
price = { paid = "100 EUR", also = { "card, 32 GB" = "9 EUR" } }
[[instrument.claim]]
kind = "battery time"
value = "4 h"
where = "manual"
[[instrument.claim]]
kind = "working distance"
value = "80 mm"
where = "listing"
[[instrument.claim]]
kind = "other"
value = "digital zoom is saved too"
where = "box"
[[instrument.claim]]
kind = "screen diagonal"
value = "7.0 in"
where = "box"
[[instrument.observation]]
kind = "battery time"
value = "4 h 20 min"
date = 2026-03-21
[[instrument.observation]]
kind = "screen diagonal"
value = "175 mm"
within = "3 mm"
[[instrument.observation]]
what = "photos at every zoom are alike"
settles = "other-1"
holds = false
date = 2026-03-22
[[instrument.observation]]
kind = "lights can be switched off"
value = "no"
[[instrument.observation]]
kind = "saved picture"
value = "3840 x 2160"
[[instrument.observation]]
kind = "failure"
value = "the phone app lost the picture"
at = "after 12 min"

[[need]]
id = "room"
statement = "room for a probe"
clearance = "60 mm"
field = "1.8 x 1.4 mm"
detail = "2 um"
contrast = "20 %"
budget = "110 EUR"
power = ["cell", "USB"]
rate = "25 fps"
standalone = true
"""


def test_noted_numbers_and_facts_settle_their_claims() -> None:
    results = read_results(parse_bench(TEXT, Path("nowhere")))
    words = {verdict.claim.id: verdict.word for verdict in results.verdicts}
    # 177.8 mm is claimed; 175 mm is noted, to 3 mm (rectangular: u 1.7 mm, U 3.4 mm).
    assert words == {
        "battery-time-1": "met", "working-distance-1": "not met", "other-1": "not met",
        "screen-diagonal-1": "undecided",
    }  # fmt: skip
    battery = results.verdicts[0]
    assert "4.3333 ± 0.0094 h, noted 2026-03-21" in battery.sentence
    assert "photos at every zoom are alike (noted 2026-03-22)" in results.verdicts[2].sentence
    assert "JCGM 106:2012" in battery.rule


def test_the_table_shows_what_was_noted() -> None:
    results = read_results(parse_bench(TEXT, Path("nowhere")))
    cells = results.comparison.rows[0].cells
    assert cells["lights_off"].value is False
    assert cells["zoom_saved"].value is None
    assert cells["failures"].value == "the phone app lost the picture (after 12 min)"
    saved, run = cells["saved_picture"].value, cells["run_time"].value
    assert getattr(saved, "value", None) == pytest.approx(3840 * 2160 / 1e6)
    assert getattr(run, "value", None) == pytest.approx(13 / 3)
    assert str(cells["price_total"].value) == "109.00 EUR"


def test_a_need_is_read_with_all_its_conditions() -> None:
    (need,) = parse_bench(TEXT, Path("nowhere")).needs
    assert need.is_judged
    assert need.field_um == pytest.approx((1800, 1400))
    assert (need.detail_um, need.contrast, need.rate_per_s) == (2.0, 0.2, 25.0)
    assert need.power == ("cell", "USB")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('settles = "other-1"', 'settles = "other-2"', "did you mean 'other-1'"),
        ("holds = false\n", "", "holds is missing"),
        ('settles = "other-1"\n', "", "add settles"),
        ('value = "4 h 20 min"', 'value = "4"', "no unit"),
        ('value = "no"', 'value = "maybe"', 'neither "yes" nor "no"'),
        ('kind = "failure"', 'kind = "failures"', "did you mean 'failure'"),
        ('detail = "2 um"\n', "", "belongs to a detail"),
        ('contrast = "20 %"', 'contrast = "120 %"', "no contrast"),
        ('field = "1.8 x 1.4 mm"', 'field = "1 x 2 x 3 mm"', "is not a field"),
        ('"9 EUR"', '"9 USD"', "in one currency"),
    ],
)
def test_mistakes_are_reported(old: str, new: str, said: str) -> None:
    assert old in TEXT
    with pytest.raises(BenchMistakes, match=said):
        parse_bench(TEXT.replace(old, new), Path("nowhere"))


def test_times_are_added_up() -> None:
    assert duration("4 h 20 min") == 15600
    assert duration("90 min") == 5400
    for wrong in ("4 h and 20 min", "h", "4 h 20", "-1 h 10 min", 4):
        with pytest.raises(Unusable):
            duration(wrong)


def noted_twice(first: str, second: str) -> Verdict:
    """The verdict on a working distance of 80 mm, noted in these two ways."""
    text = f"""
[[instrument]]
id = "pad"
kind = "screen"
[[instrument.claim]]
id = "one"
kind = "working distance"
value = "80 mm"
where = "listing"
[[instrument.observation]]
{first}
[[instrument.observation]]
{second}
"""
    (verdict,) = read_results(parse_bench(text, Path("nowhere"))).verdicts
    return verdict


@pytest.mark.parametrize("date", ["", "date = 2026-03-21"])
def test_numbers_that_exclude_each_other_decide_nothing(date: str) -> None:
    high, low = (f'kind = "working distance"\nvalue = "{v} mm"\n{date}' for v in (90, 60))
    for verdict in (noted_twice(high, low), noted_twice(low, high)):
        assert verdict.word == "undecided"
        for said in ("90.00 ± 0.57 mm", "60.00 ± 0.57 mm", "exclude each other"):
            assert said in verdict.sentence


def test_of_dated_numbers_the_latest_counts_and_the_earlier_one_is_named() -> None:
    high = 'kind = "working distance"\nvalue = "90 mm"\ndate = 2026-03-21'
    low = 'kind = "working distance"\nvalue = "60 mm"\ndate = 2026-03-22'
    for verdict in (noted_twice(high, low), noted_twice(low, high)):
        assert verdict.word == "not met"
        (detail,) = verdict.details
        assert "90.00 ± 0.57 mm, noted 2026-03-21" in detail
    assert noted_twice(high, high.replace("90 mm", "90.3 mm")).details == ()


def test_yes_and_no_decide_nothing_unless_one_is_the_later() -> None:
    yes = 'what = "it fits"\nsettles = "one"\nholds = true'
    no = 'what = "it does not"\nsettles = "one"\nholds = false'
    for verdict in (noted_twice(yes, no), noted_twice(no, yes)):
        assert verdict.word == "undecided"
        assert "it fits" in verdict.sentence
        assert "it does not" in verdict.sentence
    dated = (f"{yes}\ndate = 2026-03-21", f"{no}\ndate = 2026-03-22")
    assert noted_twice(*dated).word == "not met"
    assert "it fits (noted 2026-03-21)" in noted_twice(*dated).details[0]
    assert noted_twice(dated[0], no).word == "undecided"
