"""Needs and shots on the page: answers in words, headings in order, data beside them."""

from __future__ import annotations

import datetime
import itertools
import re
from dataclasses import replace

from glassay.bench.document.model import Money, Need
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import results_as_json
from glassay.report.page import render_page
from glassay.report.parts import Report
from glassay.report.sections import needs, shots

NEEDS = (
    Need("wide", "a field <of> 1 mm", field_um=(1000, 0)),
    Need("fine", "lines of 3 um", detail_um=3), Need("cheap", "100 EUR", budget=Money(100, "EUR")),
    Need("kind", "kind to the eyes"),
)  # fmt: skip


def page_of(results: BenchResults) -> str:
    asked = replace(results, bench=replace(results.bench, needs=NEEDS))
    report = Report(asked, {}, datetime.date(2026, 5, 1))
    return render_page(report, [needs.SECTION, shots.SECTION])


def test_every_answer_stands_in_words_with_what_decides(results: BenchResults) -> None:
    page = page_of(results)
    words = re.findall(
        r'class="verdict [a-z-]+"><span aria-hidden="true">.</span> ([a-z ]+)<', page
    )
    # Twice each: in the table and beside its reason. The pad has a field of 1.28 mm and costs 99
    # EUR; the eyepiece shows 0.56 mm, costs 180 EUR, and nothing shows its detail.
    assert sorted(words) == sorted(2 * ["yes", "not shown", "yes", "no", "not shown", "no"])
    assert "a field &lt;of&gt; 1 mm" in page.replace("\u00a0", " ").replace("A field", "a field")
    assert "place 1" in page
    assert "kind to the eyes" in page
    assert "How a need is answered" in page


def test_headings_step_down_one_level_at_a_time(results: BenchResults) -> None:
    levels = [int(level) for level in re.findall(r"<h([1-6])[ >]", page_of(results))]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))


def test_the_data_holds_the_same_answers(results: BenchResults) -> None:
    asked = replace(results, bench=replace(results.bench, needs=NEEDS))
    data = results_as_json(asked)["needs"]
    words = {(a["need"], a["instrument"]): a["answer"] for a in data["answers"]}
    assert words["wide", "pad"] == "yes"
    assert words["wide", "stereo"] == "no"
    assert [r["instrument"] for r in data["ranking"]] == ["pad", "stereo"]
    assert data["in_words_only"] == ["kind"]
