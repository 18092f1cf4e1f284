"""What a reader with one minute gets: picks by what is told for sure, a short answer in a terminal."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.bench.made_up import bench_of, camera, captured, claim_of

from glassay.bench.document.model import Need
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import assemble
from glassay.bench.saying.verdicts import quoted
from glassay.cli.commands.run import BRIEF_COLUMNS, BRIEF_LINES, brief
from glassay.report.answer import headline
from glassay.report.picks import furthest_off, misses, verdict_in_words
from glassay.report.sections import answer


def many(count: int) -> BenchResults:
    instruments = [
        replace(camera(claim_of(1600), claim_of(80, id="small")), id=f"i{n}",
                name=f"A microscope with a long name, number {n}")
        for n in range(count)
    ]  # fmt: skip
    shots = [captured(f"i{n}", "only", 1 + 0.1 * n, name=f"i{n}.jpg") for n in range(count)]
    return assemble(bench_of(*instruments), shots)


@pytest.mark.parametrize("count", [0, 1, 6, 7, 30])
def test_the_short_answer_fits_on_a_small_terminal(count: int) -> None:
    lines = brief(many(count))
    assert 0 < len(lines) <= BRIEF_LINES
    assert max(len(line) for line in lines) <= BRIEF_COLUMNS
    shown = sum(any(f"number {n}" in line for line in lines) for n in range(count))
    assert shown == min(count, BRIEF_LINES - 3)
    assert count <= shown or any(f"and {count - shown} more" in line for line in lines)


def test_the_claim_that_is_missed_by_the_largest_factor_is_furthest_off() -> None:
    results = many(2)
    found = misses(results)
    assert found
    assert [one.factor for one in found] == sorted((one.factor for one in found), reverse=True)
    # Coarser pixels see a wider field, so that the same picture is magnified less.
    assert found[0].verdict.instrument == "i1"
    assert "1600x" in furthest_off(results)
    value = found[0].verdict.value
    assert value is not None
    assert found[0].factor == pytest.approx(1600 / value.value)


def of_a_range(text: str, low: float, high: float) -> BenchResults:
    """One camera whose range "20x to 1600x" is two claims, as it is read from a bench."""
    low_end = claim_of(low, id="m-low", text=text, sense="at most")
    pad = camera(claim_of(high, id="m", text=text), low_end)
    return assemble(bench_of(pad), [captured("pad", "only", 1.0)])


def test_each_end_of_a_range_carries_its_own_miss() -> None:
    results = of_a_range("20x to 1600x", 20, 1600)
    high, low = (one.value for one in results.verdicts)
    assert high is not None
    assert low is not None
    said = {one.name: one.factor for one in misses(results)}
    assert said == {
        "magnification up to 1600x": pytest.approx(1600 / high.value),
        "magnification from 20x": pytest.approx(low.value / 20),
    }


def test_of_a_range_the_end_that_is_met_is_accused_nowhere() -> None:
    """The field of 1.92 mm reaches 200x on the bench's display, and is never as wide as 5x asks."""
    results = of_a_range("5x to 200x", 5, 200)
    assert [one.word for one in results.verdicts] == ["met", "not met"]
    everywhere = [
        *brief(results), furthest_off(results), headline(results)[-1],
        verdict_in_words(results, "pad"),
    ]  # fmt: skip
    assert not any("200x" in line for line in everywhere)
    assert [line for line in brief(results) if "worst claim" in line] == [
        f"    worst claim: magnification from 5x (box), {misses(results)[0].times}"
    ]
    assert verdict_in_words(results, "pad").endswith("magnification from 5x is "
                                                     + misses(results)[0].times)  # fmt: skip
    worst = furthest_off(results)
    assert worst.startswith("magnification from 5x, claimed for pad (box): it goes down to ")


def test_a_range_whose_usual_sense_is_at_most_has_a_high_end_too() -> None:
    """Both ends of "0.5 um to 3 um" are kept when the pixels are that fine: they are told apart by
    their number."""
    finest, coarsest = (
        claim_of(value, kind="pixel size", text="0.5 um to 3 um", sense="at most", unit="um/px")
        for value in (0.5, 3.0)
    )
    assert (finest.is_low_end, coarsest.is_low_end) == (True, False)
    assert (quoted(finest), quoted(coarsest)) == (
        "pixel size from 0.5 um", "pixel size up to 3 um"
    )  # fmt: skip


def test_the_first_table_has_at_most_seven_columns_and_no_best_magnification() -> None:
    assert len(answer.HEADS) <= 7
    assert not any("magnif" in head for head in answer.HEADS)


def test_a_must_stands_before_any_number_of_wishes() -> None:
    from glassay.bench.judging.need_answers import Answer
    from glassay.bench.judging.needs import rank

    must = Need("must", "must", must=True, standalone=True)
    wishes = [Need(f"w{n}", "wish", standalone=True) for n in range(3)]
    answers = [Answer(must, "a", "yes", ()), Answer(must, "b", "no", ())]
    answers += [Answer(wish, who, word, ()) for wish in wishes
                for who, word in (("a", "no"), ("b", "yes"))]  # fmt: skip
    assert [one.instrument for one in rank(answers, ["a", "b"])] == ["a", "b"]
    as_wishes = [replace(one, need=replace(one.need, must=False)) for one in answers]
    assert [one.instrument for one in rank(as_wishes, ["a", "b"])] == ["b", "a"]
