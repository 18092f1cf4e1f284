"""Two benches against each other: differences against uncertainty, one slide cancels."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.bench.made_up import bench_of, camera, captured, claim_of
from tests.report.benches import measured

from glassay.bench.document.model import Certificate, ReferenceObject
from glassay.bench.keeping.compare_benches import compare_benches, difference_as_json, parse_pairs
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import assemble
from glassay.cli import program
from glassay.errors import NotMeasurable, Unusable
from glassay.quantity import Contribution, Quantity

CERTIFIED = ReferenceObject("slide", "ruled scale", division_um=10,
                            certificate=Certificate(10.0, 0.02, number="quay 7"))  # fmt: skip
OTHER = replace(CERTIFIED, certificate=Certificate(10.0, 0.02, number="quay 8"))


def of(
    pixel_size: float, slide: ReferenceObject = CERTIFIED, own: float = 0.0, claim: float = 270
) -> BenchResults:
    """One camera measured once: 0.1 % is the slide's, `own` (relative) is the capture's."""
    shown = captured("pad", "only", pixel_size)
    part = shown.parts[0]
    findings = {
        key: replace(finding, value=finding.quantity.with_contribution(
            "fit", own * finding.quantity.value))
        for key, finding in part.findings.items()
    }  # fmt: skip
    shown = replace(shown, parts=(replace(part, findings=findings),))
    bench = replace(bench_of(camera(claim_of(claim))), objects=(slide,))
    return assemble(bench, [shown])


def test_one_slide_cancels_and_two_do_not() -> None:
    # Normalised error: |difference| / U of the difference (ISO 13528, from memory).
    # 0.2 % apart. One slide: u is that of the fits, 0.02 % x sqrt(2). Two slides: 0.1 % x sqrt(2).
    one = compare_benches(of(1.0, own=2e-4), of(1.002, own=2e-4)).pairs[0]
    two = compare_benches(of(1.0, own=2e-4), of(1.002, OTHER, own=2e-4)).pairs[0]
    assert (one.name, one.word, one.shared) == ("pixel size", "differ", ("reference object slide",))
    assert one.difference.u == pytest.approx(2e-4 * 2**0.5, rel=0.01)
    assert one.normalised_error == pytest.approx(2e-3 / (1.96 * 2e-4 * 2**0.5), rel=0.02)
    assert (two.word, two.shared) == ("agree", ())
    assert two.difference.u == pytest.approx(1e-3 * 2**0.5, rel=0.03)


def test_a_slide_of_the_same_name_is_the_same_only_by_certificate_or_word() -> None:
    plain = ReferenceObject("slide", "ruled scale", division_um=10)
    apart = compare_benches(of(1.0, plain, 2e-4), of(1.002, plain, 2e-4))
    assert apart.pairs[0].word == "agree"
    assert any("nothing says that it is one object" in note for note in apart.notes)
    stated = compare_benches(
        of(1.0, plain, 2e-4), of(1.002, plain, 2e-4), objects={"slide": "slide"}
    )
    assert stated.pairs[0].word == "differ"
    assert stated.shared_objects == (("slide", "slide"),)


def test_verdicts_on_the_same_claim_are_put_side_by_side() -> None:
    found = compare_benches(of(1.0), of(1.2))  # 277x and 231x on the display
    assert [(v.claim, v.first, v.second) for v in found.verdicts] == [
        ("magnification 270x", "met", "not met")
    ]
    assert compare_benches(of(1.0), of(1.2, claim=200)).verdicts == ()


def under_id(setting: str) -> BenchResults:
    """The camera with its only setting under another id."""
    instrument = camera(claim_of(270))
    renamed = replace(instrument, settings=(replace(instrument.settings[0], id=setting),))
    bench = replace(bench_of(renamed), objects=(CERTIFIED,))
    return assemble(bench, [captured("pad", setting, 1.0)])


def test_settings_without_a_partner_are_named() -> None:
    found = compare_benches(under_id("near"), under_id("close"))
    assert found.pairs == ()
    assert "pad: setting near was measured in the first bench only" in found.notes
    assert "pad: setting close was measured in the second bench only" in found.notes
    assert "pad: settings pair by id; give those that are the same one id" in found.notes
    assert not any("only" in note for note in compare_benches(of(1.0), of(1.0)).notes)


def test_a_claim_tested_in_one_bench_only_contradicts_nothing() -> None:
    instrument = camera(claim_of(270))
    untested = assemble(replace(bench_of(instrument), objects=(CERTIFIED,)), [])
    (pair,) = compare_benches(of(1.0), untested).verdicts
    assert pair.sentence == "met against untested, tested in one bench only"
    (same,) = compare_benches(of(1.0), of(1.0)).verdicts
    assert same.sentence == "met against met, the same"
    (other,) = compare_benches(of(1.0), of(4.0)).verdicts
    assert other.sentence == "met against not met, not the same"


def test_instruments_under_other_ids_are_paired_by_word() -> None:
    second = of(1.0)
    other = replace(second.bench.instruments[0], id="pad-2")
    shown = replace(second.captures[0], capture=replace(second.captures[0].capture,
                                                        instrument="pad-2"))  # fmt: skip
    second = assemble(replace(second.bench, instruments=(other,)), [shown])
    with pytest.raises(NotMeasurable, match="--pair"):
        compare_benches(of(1.0), second)
    found = compare_benches(of(1.0), second, instruments={"pad": "pad-2"})
    assert {(p.instrument, p.other, p.word) for p in found.pairs} == {("pad", "pad-2", "agree")}
    with pytest.raises(Unusable, match="no instrument 'nobody'"):
        compare_benches(of(1.0), second, instruments={"pad": "nobody"})
    with pytest.raises(Unusable, match="not FIRST=SECOND"):
        parse_pairs(["pad"], "--pair")


def test_differences_of_exact_numbers_have_no_uncertainty_to_hide_in() -> None:
    from glassay.bench.keeping.compare_benches import _pair

    pad = camera()
    equal = _pair(pad, pad, "s", "n", Quantity(2.0, "um"), Quantity(2.0, "um"))
    apart = _pair(pad, pad, "s", "n", Quantity(2.0, "um"), Quantity(2.1, "um"))
    assert (equal.word, equal.normalised_error) == ("agree", 0)
    assert (apart.word, apart.normalised_error) == ("differ", float("inf"))
    part = Contribution("slide", 0.1, identity="reference object slide")
    lone = _pair(pad, pad, "s", "n", Quantity(2.0, "um", (part,)), Quantity(2.1, "um"))
    assert lone.shared == ()


def test_the_command_compares_and_notices_the_same_files(tmp_path: Path) -> None:
    first = tmp_path / "a"
    measured(first)
    second = tmp_path / "b"
    shutil.copytree(first, second)
    result = CliRunner().invoke(program, ["compare", str(first), str(second)])
    assert result.exit_code == 0, result.output
    assert "0 differ by more than their uncertainty" in result.output
    assert "files are the same in both benches" in result.output
    data = json.loads(
        CliRunner().invoke(program, ["compare", str(first), str(second), "--json"]).output
    )
    assert {one["word"] for one in data["numbers"]} == {"agree"}
    assert data.keys() == difference_as_json(compare_benches(of(1.0), of(1.0))).keys()
