"""The answer in sentences that can be quoted."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.bench.made_up import bench_of, camera, captured, claim_of, eyepiece_view

from glassay.bench.document.model import Bench
from glassay.bench.measuring.assemble import assemble
from glassay.quantity import Contribution, Quantity
from glassay.report.answer import headline, quote
from glassay.report.instrument.measured import budget
from glassay.report.numbers import amount, in_unit, prose, sentence


def test_the_claim_the_display_and_the_eyepiece_view_in_one_sentence() -> None:
    bench = bench_of(camera(claim_of(1600)))
    results = assemble(bench, [captured("pad", "only", 1.0)])
    # 531.3 mm / 1.92 mm = 276.7x on the display; 180 mm / 1.92 mm = 93.75x as an eyepiece view.
    said = quote(results, bench.instruments[0])
    assert said.startswith("pad: 1600x is claimed (box); in its closest setting it gives 276.7")
    assert "the same as an eyepiece view of 93.75 ±" in said
    assert said.count(".\n") == 0
    assert said.endswith(".")


def test_an_eyepiece_view_is_told_by_the_field_seen() -> None:
    bench = bench_of(eyepiece_view(claim_of(40)))
    results = assemble(bench, [captured("stereo", "zoom-4", 2.0, diameter=5000.0)])
    # FN 20 mm x 10x / 5 mm = 40x.
    assert "it gives 40.0 ± " in quote(results, bench.instruments[0])
    assert "to the eye" in quote(results, bench.instruments[0])


def _two() -> Bench:
    first = camera(claim_of(1600), claim_of(200, id="b"))
    second = replace(first, id="stick", name="Stick", claims=())
    return bench_of(first, second)


def test_the_headline_counts_claims_and_names_the_closest_and_the_furthest_off() -> None:
    bench = _two()
    results = assemble(
        bench, [captured("pad", "only", 1.0), captured("stick", "only", 0.5, name="b.jpg")]
    )
    lines = headline(results)
    assert lines[0] == "Of 2 claims by sellers, 1 is met and 1 is not met."
    assert lines[1].startswith("Stick looks closest: it shows a field 960.0 ± ")
    assert lines[2].startswith("The finest pixels at the object are those of Stick: 0.500")
    assert "magnification 1600x, claimed for pad" in lines[3]


def test_a_setting_that_no_chip_can_be_looked_at_in_is_not_called_the_closest() -> None:
    bench = _two()
    first, second = bench.instruments
    slide_only = replace(second.settings[0], for_chips=False)
    bench = replace(bench, instruments=(first, replace(second, settings=(slide_only,))))
    shown = [captured("pad", "only", 1.0), captured("stick", "only", 0.5, name="b.jpg")]
    results = assemble(bench, shown)
    line = headline(results)[1]
    assert line.startswith("pad looks closest")
    assert "(Stick in only not counted: not for chips)" in line
    assert any("Stick: only is not for chips" in note for note in results.comparison.notes)


def test_what_cannot_be_told_apart_shares_the_first_place() -> None:
    bench = _two()
    results = assemble(
        bench, [captured("pad", "only", 1.0), captured("stick", "only", 1.0, name="b.jpg")]
    )
    assert "pad and Stick look equally close" in headline(results)[1]


def test_without_measurements_the_headline_says_so() -> None:
    assert headline(assemble(_two(), ())) == (
        "Nothing is measured yet: no capture on this bench gave a number.",
    )
    assert headline(assemble(bench_of(), ()))[0].startswith("There are no instruments")


def test_budget_lines_of_one_source_are_one_and_shares_make_a_whole() -> None:
    parts = (
        Contribution("fit", 0.3), Contribution("fit", 0.4), Contribution("slide", 1.2, identity="s"),
    )  # fmt: skip
    lines = budget(Quantity(10.0, "um/px", parts))
    assert [line.source for line in lines] == ["slide", "fit"]
    assert lines[1].relative == pytest.approx(0.05)
    assert [line.share for line in lines] == pytest.approx([1.44 / 1.69, 0.25 / 1.69])
    assert budget(Quantity(10.0, "um")) == []


def test_print_keeps_numbers_together_and_units_as_they_are_written() -> None:
    assert prose("a field 642 ± 22 um wide at -3 C") == (
        "a field 642\xa0±\xa022\xa0µm wide at \u22123 C"
    )
    assert prose("C-17, 0.2 to 0.5, um") == "C-17, 0.2 to 0.5, um"
    assert sentence("it holds") == "It holds."
    assert sentence("um of drift rest on a clip") == "µm of drift rest on a clip."
    assert sentence("Does it?") == "Does it?"


def test_amounts_are_escaped_and_carry_their_unit() -> None:
    assert "&lt;i&gt;" in amount(Quantity(1.0, "1"), "<i>")
    assert "1.500" in in_unit(Quantity.of(1500.0, 1.0, "um"))
    assert "mm" in in_unit(Quantity.of(1500.0, 1.0, "um"))
    assert "\u22124" in in_unit(Quantity.of(-4.0, 0.1, "deg"))
