"""The page: what stands on it, in which order, and that it needs nothing but itself."""

from __future__ import annotations

import datetime
import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest
from tests.bench.made_up import bench_of, camera, claim_of

from glassay.bench.judging.decide import RULE
from glassay.bench.keeping.results import BenchResults, CaptureResult, MethodResult
from glassay.bench.measuring.assemble import assemble
from glassay.report.page import render_page
from glassay.report.parts import Report, Section
from glassay.report.sections import SECTIONS

VOID = {"meta", "img", "input", "br", "link", "hr", "col"}


class Outline(HTMLParser):
    """Text, headings, ids and addresses of a page, and whether its tags match."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.mismatched: list[str] = []
        self.tags: Counter[str] = Counter()
        self.ids: Counter[str] = Counter()
        self.addresses: list[str] = []
        self.headings: list[tuple[int, str]] = []
        self.pieces: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        for name, value in attrs:
            if name == "id":
                self.ids[value or ""] += 1
            if name in ("href", "src", "xlink:href", "action", "data"):
                self.addresses.append(value or "")
        if tag not in VOID:
            self.open.append(tag)
        if re.fullmatch(r"h\d", tag):
            self.headings.append((int(tag[1]), ""))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.mismatched.append(tag)

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "style":
            return
        self.pieces.append(data)
        if self.headings and any(re.fullmatch(r"h\d", tag) for tag in self.open):
            level, text = self.headings[-1]
            self.headings[-1] = (level, text + data)

    @property
    def text(self) -> str:
        return " ".join("".join(self.pieces).replace("\xa0", " ").split())


@pytest.fixture(scope="module")
def outline(page: str) -> Outline:
    return Outline(page)


def test_the_page_is_whole_and_needs_nothing_but_itself(page: str, outline: Outline) -> None:
    assert outline.mismatched == []
    assert outline.open == []
    assert outline.tags["script"] == outline.tags["link"] == outline.tags["iframe"] == 0
    for address in outline.addresses:
        assert address.startswith(("data:image/jpeg;base64,", "#"))
    assert "url(" not in page
    assert "@import" not in page
    assert len(page.encode()) < 6_000_000


def test_every_link_leads_somewhere_and_no_id_stands_twice(outline: Outline) -> None:
    assert [name for name, count in outline.ids.items() if count > 1] == []
    targets = {address[1:] for address in outline.addresses if address.startswith("#")}
    assert targets - set(outline.ids) == set()
    assert {"i-pad", "i-stereo"} <= targets


def test_headings_step_down_one_level_at_a_time(outline: Outline) -> None:
    levels = [level for level, _ in outline.headings]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_answer_first_then_evidence_then_method(outline: Outline) -> None:
    order = [
        "What decides, finest line first", "All columns", "Instrument by instrument",
        "Which eyepiece view shows the same field", "Methods and sources",
        "Assumptions and reference objects",
        "Written on 2026-05-01",
    ]  # fmt: skip
    places = [outline.text.index(words) for words in order]
    assert places == sorted(places)


def test_words_from_the_bench_cannot_become_markup(page: str, outline: Outline) -> None:
    assert "<script" not in page
    assert "<b>&amp;</b>" not in page
    assert "Pad | <script>alert(1)</script>" in outline.text
    assert outline.headings[0][1] == "Evenings <b>&amp;</b> slides"


def test_every_verdict_stands_with_its_word_its_sentence_and_every_reading(
    results: BenchResults, outline: Outline
) -> None:
    assert {verdict.word for verdict in results.verdicts} >= {"met", "not met", "untested"}
    text = outline.text
    for verdict in results.verdicts:
        assert _printed(verdict.sentence) in text
        for detail in verdict.details:
            assert _printed(detail) in text
        for judged in verdict.readings:
            assert judged.reading.definition in text
    # The display that would make 1600x true.
    assert "On a display the claim holds when the picture is" in text


def _printed(sentence: str) -> str:
    sentence = re.sub(r"(?<=\d )um\b", "µm", sentence)
    return sentence[0].upper() + sentence[1:]


def test_the_rule_is_printed_once_and_its_numbers_with_each_verdict(
    results: BenchResults, outline: Outline
) -> None:
    assert outline.text.count(RULE) == 1
    decided = [verdict for verdict in results.verdicts if verdict.rule]
    assert outline.text.count("Rule applied to: claim ") == len(decided) > 0


def test_a_refusal_stands_with_its_reason_and_note(results: BenchResults, outline: Outline) -> None:
    refused = results.capture("captures/dark.png")
    assert refused.status == "refused"
    assert f"Refused: {refused.reason}." in outline.text
    assert "the lamp was off" in outline.text


def test_a_chip_without_a_clear_edge_is_shown_without_a_number_and_is_no_refusal(
    results: BenchResults, outline: Outline
) -> None:
    (chip,) = (one for one in results.captures if one.status == "no method")
    assert results.bench.object(chip.capture.object).kind == "chip"
    assert chip.reason
    assert f"Not measured: {chip.reason}." in outline.text


def test_assumptions_are_listed(results: BenchResults, outline: Outline) -> None:
    assert any("0.2%" in sentence for sentence in results.assumptions)
    for sentence in results.assumptions:
        assert _printed(sentence) in outline.text


def test_the_best_of_a_column_is_marked_by_a_word(page: str) -> None:
    cells = re.findall(r'<td role="cell"[^>]*class="([^"]*)"[^>]*>(.*?)</td>', page, re.DOTALL)
    marked = [inner for classes, inner in cells if "is-best" in classes]
    assert marked
    assert all(">best<" in inner for inner in marked)
    assert all(">best<" not in inner for classes, inner in cells if "is-best" not in classes)


def test_drawings_are_told_in_words_too(page: str) -> None:
    pictures = re.findall(r"<svg[^>]*>|<img[^>]*>", page)
    assert len(pictures) > 10
    for tag in pictures:
        assert 'aria-hidden="true"' in tag or "aria-label=" in tag or "alt=" in tag


def test_marks_stand_in_the_order_of_their_magnifications(page: str) -> None:
    lane = re.search(r'<svg[^>]*aria-label="Pad \|.*?</svg>', page, re.DOTALL)
    assert lane is not None
    places = {
        words.split(":")[0]: float(place)
        for place, words in re.findall(r'x="([\d.]+)%" y="17"><title>(.*?)</title>', lane[0])
    }
    claimed = places["20x to 1600x claimed (box)"]
    display = places["on the bench&#39;s display"]
    equivalent = places["same field as an eyepiece view"]
    # 180 mm / 0.8 mm = 225x; 398.5 mm / 0.8 mm = 498x; 1600x.
    assert equivalent < display < claimed
    # On a logarithmic axis, equal ratios are equal distances: log(498/225) / log(1600/225) = 0.405.
    assert (display - equivalent) / (claimed - equivalent) == pytest.approx(0.405, abs=0.01)


def test_a_new_section_is_one_entry_in_a_list(report: Report, results: BenchResults) -> None:
    assert [section.id for section in SECTIONS] == list(dict.fromkeys(s.id for s in SECTIONS))
    extra = Section("extra", "Extra", "assumptions.html",
                    lambda _: {"assumptions": ["stones float"], "objects": []})  # fmt: skip
    silent = replace(extra, id="silent", title="Silent", fill=lambda _: None)
    page = render_page(report, [extra, silent])
    assert "Stones float." in page
    assert "Silent" not in page


def test_a_bench_without_instruments_makes_a_page_that_says_so(tmp_path: Path) -> None:
    empty = Report.of(assemble(bench_of(), ()), datetime.date(2026, 5, 1))
    outline = Outline(render_page(empty))
    assert "There are no instruments on this bench yet." in outline.text
    assert outline.mismatched == []


def test_a_capture_that_cannot_be_read_any_more_is_said_to_be_missing(
    results: BenchResults, tmp_path: Path
) -> None:
    moved = replace(results, bench=replace(results.bench, folder=tmp_path))
    text = Outline(render_page(Report.of(moved, datetime.date(2026, 5, 1)))).text
    assert text.count("It cannot be shown:") == len(results.captures)


def test_an_instrument_without_captures_is_told_without_numbers() -> None:
    bench = bench_of(camera(claim_of(1600)))
    text = Outline(render_page(Report.of(assemble(bench, ()), datetime.date(2026, 5, 1)))).text
    assert "Nothing is measured yet" in text
    assert "pad: 1600x is claimed (box), but nothing was measured with it." in text


def test_a_capture_not_run_yet_is_told_as_such(results: BenchResults) -> None:
    waiting = CaptureResult(
        results.bench.captures[0], (MethodResult("ruled scale", "not run", reason="not yet"),)
    )
    again = assemble(results.bench, (waiting, *results.captures[1:]))
    text = Outline(render_page(Report.of(again, datetime.date(2026, 5, 1)))).text
    assert "Not measured yet: not yet." in text
