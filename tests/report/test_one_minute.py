"""What a reader with one minute gets: picks by what is told for sure, a short answer in a terminal."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.bench.made_up import bench_of, camera, captured, claim_of

from glassay.bench.document.model import Need
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import assemble
from glassay.cli.commands.run import BRIEF_COLUMNS, BRIEF_LINES, brief
from glassay.report.picks import furthest_off, misses
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
